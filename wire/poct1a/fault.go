package poct1a

import "fmt"

// Kind of a Fault.
type Kind uint8

// Kinds of fault.
const (
	FaultSyntax   Kind = iota + 1 // not well-formed XML
	FaultTooLarge                 // more bytes than Limits.Size
	FaultTooDeep                  // elements nested deeper than Limits.Depth
	FaultTooMany                  // more elements or attributes than Limits allow
	FaultDoctype                  // a document type declaration
	FaultEntity                   // an entity other than the five of XML
	FaultEncoding                 // not UTF-8
	FaultCut                      // a framed document broken off by the next frame
)

// Fault is why bytes are no document that is read here. It does not quote them.
type Fault struct {
	Kind Kind
	What string
	At   int // byte in the document, or in what the Splitter holds
}

// Error says what is wrong and where.
func (f *Fault) Error() string { return fmt.Sprintf("%s (byte %d)", f.What, f.At) }

// Fatal reports whether the boundary of the next document is lost, so that
// nothing more can be read from the stream.
func (f *Fault) Fatal() bool { return f.Kind != FaultCut }

// Limits bound what is read. Zero values mean DefaultLimits.
type Limits struct {
	Size       int // bytes of one document
	Depth      int // nested elements
	Elements   int // in one document
	Attributes int // of one element
}

// DefaultLimits are ample for results and narrow for an attacker.
var DefaultLimits = Limits{Size: 1 << 20, Depth: 32, Elements: 50_000, Attributes: 32}

func (l Limits) withDefaults() Limits {
	for _, x := range []struct {
		to   *int
		from int
	}{{&l.Size, DefaultLimits.Size}, {&l.Depth, DefaultLimits.Depth}, {&l.Elements, DefaultLimits.Elements}, {&l.Attributes, DefaultLimits.Attributes}} {
		if *x.to <= 0 {
			*x.to = x.from
		}
	}
	return l
}
