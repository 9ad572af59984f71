// Package astm reads and writes LIS02 records (once ASTM E1394) and speaks the
// LIS01 link below them (once ASTM E1381): bytes to a tree of records, fields,
// repeats and components, records to frames with checksums, and the link's two
// sides as pure steps. It knows syntax and no medicine, and has no clock and no
// connection of its own.
//
//	line ──► Link.Receive ──► Deliver: the text of a frame ──► Assembly.Add
//	  ▲          │                                                 │
//	  └─ Write ◄─┘◄── Verdict (ACK only when it is safe)           ▼
//	                                                   Piece: H to L ──► Parse ──► Message
//	                                                                               Orders, Queries
//
// It promises:
//
//   - Nothing is changed. Every value keeps the Span of its bytes; an escape
//     that is not known stays as it was written (Value.Bytes tells).
//   - Nothing is guessed. Delimiters come from the H record, and so does what
//     ends a record.
//   - A frame is answered ACK only by the caller's verdict, or as the resend of
//     the frame that was accepted last.
//   - No input makes it panic, and memory is bounded by the input and by the
//     limits in Settings.
//   - Faults name places, never contents.
//
// A Path is a record's letter and a field's number, which counts the letter as
// field 1: R.4 is the value of a result, P.6.1 the first component of a
// patient's name, C[2].4 the text of the second comment, P.3(2) the second
// repeat of a patient's number.
//
// Positions of fields are those of the open library for ASTM records
// python-astm, whose tests are also the check values of frames and checksums; times
// and limits of the link that come from no published text at hand are settings.
package astm
