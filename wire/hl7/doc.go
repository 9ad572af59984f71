// Package hl7 reads and answers HL7 version 2 messages: bytes to a tree of
// segments, fields, repetitions, components and subcomponents, and back to
// acknowledgements. It knows syntax and no medicine.
//
// It promises:
//
//   - Nothing is changed. Every value keeps the Span of its bytes in the raw
//     message; bytes that cannot be decoded and escapes that are not known stay
//     visible in the text (Value.Exact tells), never replaced in silence.
//   - Nothing is guessed. Delimiters come from MSH; a segment begins only after
//     a terminator; absent (“) and null (`""`) are told apart.
//   - No input makes it panic, and memory is bounded by the input.
//   - Faults and acknowledgements carry places and codes, never field contents
//     other than the sender's own MSH.
//
// The way of one message:
//
//	connection ──► FrameReader.Next ──► SplitBatch ──► Parse ──► Message
//	                                        │                      │
//	                     ReadHeader ◄───────┘                Orders, Get
//	                         │
//	              Ack(header, answer) ──► WriteFrame ──► connection
//
// Reading values:
//
//	m, err := hl7.Parse(raw)             // err is a *hl7.Fault
//	orders, faults := m.Orders()         // one Order per OBR group, in order
//	for _, o := range orders {
//		id := o.Get("PID-3(1).1").Text()
//		for _, obs := range o.Observations {  // the specimen's OBX are not here
//			code := obs.Get("OBX-3.1").Text()
//			...
//		}
//	}
//
// A Path is written as HL7 writes places, counted from 1: PID-3.1 is field 3,
// component 1 of PID; OBX[2]-5(1).1 is the second OBX, field 5, first
// repetition, first component. Parse a path once with ParsePath and read it
// with Path.In(message, order or observation); a scope looks in its own
// segments first, then in its patient's, then in the message's head.
//
// A Message holds on to the raw bytes it was parsed from; they must not be
// changed while it is in use.
package hl7
