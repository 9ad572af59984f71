package poct1a

import "bytes"

// Splitter divides a byte stream into XML documents. There is no length or
// framing between them: a document ends where its root element ends. Blanks
// between documents are dropped, and so are the bytes of MLLP framing, which
// some devices put around each document.
type Splitter struct {
	Limits Limits

	buf    []byte
	at     int // next byte to look at
	state  scan
	quote  byte
	depth  int
	from   int  // where the comment, section or declaration in hand began
	root   bool // a start tag was seen in this document
	framed bool
	broken *Fault
}

// scan is where in a document the next byte stands.
type scan uint8

const (
	outside scan = iota // between documents
	content             // in text, or between the parts of a prolog
	opened              // behind '<'
	startTag
	endTag
	instruction // <? ... ?>
	declared    // behind '<!': a comment, a CDATA section or a document type
	comment
	cdata
)

// Write takes in bytes as they come; it never fails. What they say is asked of Next.
func (s *Splitter) Write(p []byte) (int, error) {
	s.buf = append(s.buf, p...)
	return len(p), nil
}

// Next returns the next whole document, in memory of its own. ok is false if
// there is none yet. After a fatal fault nothing more can be read, and Next
// keeps returning it.
func (s *Splitter) Next() (doc []byte, ok bool, err *Fault) {
	if s.broken != nil {
		return nil, false, s.broken
	}
	limits := s.Limits.withDefaults()
	for s.at < len(s.buf) {
		c := s.buf[s.at]
		if s.state == outside {
			if err := s.between(c); err != nil {
				return nil, false, s.fail(err)
			}
			continue
		}
		if s.at >= limits.Size {
			return nil, false, s.fail(&Fault{Kind: FaultTooLarge, What: "the document is larger than is taken here", At: s.at})
		}
		if c == 0x0b && s.framed {
			s.drop(s.at) // the rest of the broken document's bytes; the frame byte starts anew
			return nil, false, &Fault{Kind: FaultCut, What: "a document was broken off by the next one"}
		}
		if c < ' ' && c != '\t' && c != '\n' && c != '\r' {
			return nil, false, s.fail(control(c, s.at))
		}
		s.at++
		done, err := s.step(c)
		switch {
		case err != nil:
			return nil, false, s.fail(err)
		case s.depth > limits.Depth:
			return nil, false, s.fail(&Fault{Kind: FaultTooDeep, What: "elements are nested deeper than is taken here", At: s.at})
		case done:
			doc = bytes.Clone(s.buf[:s.at])
			s.drop(s.at)
			return doc, true, nil
		}
	}
	if s.state == outside {
		s.drop(s.at)
	}
	return nil, false, nil
}

func control(c byte, at int) *Fault {
	if c == 0 {
		return &Fault{Kind: FaultEncoding, What: "a zero byte: the document is not UTF-8", At: at}
	}
	return &Fault{Kind: FaultSyntax, What: "a control byte that XML does not allow", At: at}
}

// drop forgets the first n bytes and starts between documents. An empty buffer
// is given back: most connections are idle most of the time.
func (s *Splitter) drop(n int) {
	s.buf = s.buf[n:]
	if len(s.buf) == 0 {
		s.buf = nil
	}
	s.at, s.state, s.depth, s.root, s.quote = 0, outside, 0, false, 0
}

func (s *Splitter) fail(f *Fault) *Fault {
	s.broken = f
	return f
}

// Open reports whether a document has begun and not ended.
func (s *Splitter) Open() bool { return s.root || s.state != outside && s.state != content }

// Framed reports whether the device puts MLLP framing around its documents;
// then it expects it around ours.
func (s *Splitter) Framed() bool { return s.framed }

// Rest is what came and is no whole document, at most its last limit bytes.
func (s *Splitter) Rest(limit int) []byte {
	return bytes.Clone(s.buf[max(0, len(s.buf)-limit):])
}

// between looks at a byte outside documents.
func (s *Splitter) between(c byte) *Fault {
	switch {
	case c == '<':
		s.drop(s.at) // what stood before it
		s.at, s.state = 1, opened
	case c == ' ', c == '\t', c == '\r', c == '\n':
		s.at++
	case c == 0x0b:
		s.framed = true
		s.at++
	case c == 0x1c && s.framed:
		s.at++
	case c == 0xef, c == 0xbb, c == 0xbf: // a byte order mark's; as text they could begin no document either
		s.at++
	case c == 0, c >= 0xfe:
		return &Fault{Kind: FaultEncoding, What: "the stream is not UTF-8", At: s.at}
	default:
		return &Fault{Kind: FaultSyntax, What: "text that stands in no XML document", At: s.at}
	}
	return nil
}

// step moves on by one byte; done tells that it ended the document.
func (s *Splitter) step(c byte) (done bool, err *Fault) {
	switch s.state {
	case content:
		switch {
		case c == '<':
			s.state = opened
		case s.depth == 0 && c > ' ':
			return false, &Fault{Kind: FaultSyntax, What: "text that stands in no XML element", At: s.at - 1}
		}
	case opened:
		return false, s.open(c)
	case startTag:
		return s.inStart(c), nil
	case endTag:
		if c == '>' {
			s.depth--
			s.state = content
			return s.depth == 0, nil
		}
	case instruction:
		s.closes("?>")
	case declared:
		return false, s.declare()
	case comment:
		s.closes("-->")
	case cdata:
		s.closes("]]>")
	}
	return false, nil
}

// open looks at the byte behind '<'.
func (s *Splitter) open(c byte) *Fault {
	s.from = s.at
	switch {
	case c == '/' && s.depth == 0:
		return &Fault{Kind: FaultSyntax, What: "an end tag without a start tag", At: s.at}
	case c == '/':
		s.state = endTag
	case c == '?':
		s.state = instruction
	case c == '!':
		s.state = declared
	case c == ':', c == '_', c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z', c >= 0x80:
		s.state, s.root = startTag, true
	default:
		return &Fault{Kind: FaultSyntax, What: "a tag without a name", At: s.at}
	}
	return nil
}

func (s *Splitter) inStart(c byte) (done bool) {
	switch {
	case s.quote != 0:
		if c == s.quote {
			s.quote = 0
		}
	case c == '"', c == '\'':
		s.quote = c
	case c == '>':
		s.state = content
		if s.buf[s.at-2] == '/' {
			return s.depth == 0
		}
		s.depth++
	}
	return false
}

// declare tells what follows '<!'.
func (s *Splitter) declare() *Fault {
	switch got := s.buf[s.from:s.at]; {
	case bytes.Equal(got, []byte("--")):
		s.state, s.from = comment, s.at
	case bytes.Equal(got, []byte("[CDATA[")) && s.depth > 0:
		s.state, s.from = cdata, s.at
	case bytes.HasPrefix([]byte("--"), got), bytes.HasPrefix([]byte("[CDATA["), got):
	default:
		return &Fault{Kind: FaultDoctype, What: "a document type or other declaration, which is not taken here", At: s.from}
	}
	return nil
}

// closes ends a comment, a section or an instruction behind its mark.
func (s *Splitter) closes(mark string) {
	if bytes.HasSuffix(s.buf[s.from:s.at], []byte(mark)) {
		s.state = content
	}
}
