package fhir

// MediaType is sent and accepted on every request.
const MediaType = "application/fhir+json"

// Write is one entry of a transaction. Resource is marshalled JSON; an empty
// condition is left out.
type Write struct {
	FullURL     string // urn:uuid:..., by which other entries may refer to it
	Method      string // POST or PUT
	URL         string // "Observation" or "Observation/12"
	IfNoneExist string // query of a conditional create: identifier=system%7Cvalue
	IfMatch     string // W/"3": only onto this version
	IfNoneMatch string // "*": only if there is none yet
	Resource    []byte
}

// Transaction is a transaction Bundle of the entries, in their order.
func Transaction(entries []Write) []byte { return bundleOf("transaction", entries) }

// Steps is a Bundle of the entries for sending one by one, in their order. Its
// type is batch, which R4 gives to entries that succeed or fail by themselves;
// it is kept, never posted, since a later entry may refer to an earlier one.
func Steps(entries []Write) []byte { return bundleOf("batch", entries) }

func bundleOf(typ string, entries []Write) []byte {
	size := 64
	for _, e := range entries {
		size += 256 + len(e.Resource)
	}
	b := newBundle(typ, size)
	for _, e := range entries {
		b.Entry(e.FullURL)
		b.b = append(b.b, e.Resource...)
		b.Request(e)
	}
	return b.Done()
}

// Bundle writes a transaction in one pass: for each entry Entry, the resource
// with the Writer's methods, Request; at last Done. Nothing is encoded twice,
// and no resource is copied.
type Bundle struct {
	Writer
}

// NewBundle begins a transaction, with room for so many bytes.
func NewBundle(size int) *Bundle { return newBundle("transaction", size) }

func newBundle(typ string, size int) *Bundle {
	b := &Bundle{Writer{b: make([]byte, 0, size)}}
	b.b = append(b.b, `{"resourceType":"Bundle","type":"`+typ+`","entry":[`...)
	return b
}

// Entry begins an entry; its resource comes next.
func (b *Bundle) Entry(fullURL string) {
	b.Open("").Text("fullUrl", fullURL).key("resource")
}

// Request ends the entry with how it is to be written; the resource and the
// full URL of w are not looked at.
func (b *Bundle) Request(w Write) {
	b.Open("request").Text("method", w.Method).Text("url", w.URL)
	b.Text("ifNoneMatch", w.IfNoneMatch).Text("ifMatch", w.IfMatch).Text("ifNoneExist", w.IfNoneExist)
	b.Close().Close()
}

// Done ends the transaction and returns it.
func (b *Bundle) Done() []byte {
	b.End().Close()
	return b.b
}
