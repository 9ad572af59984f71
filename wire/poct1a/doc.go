// Package poct1a is the device messaging layer of POCT1-A2 (CLSI POCT01) as a
// data manager speaks it: XML documents back to back on a byte stream, the
// messages in them, and the conversation about them. It knows no medicine.
//
//	bytes ─► Splitter ─► document ─► Parse ─► Document ─┐
//	                                                    ▼ Message, Stored, Timeout, Wish
//	                                              Conversation
//	                                                    ▼ Send, Store, Report, Close
//	bytes ◄────────── Render ◄───────────────── Outgoing
//
// What it promises:
//
//   - Pure: no clock, network, logger or file. The caller gives the bytes, the
//     answers of its store and the time, and does what it is told.
//   - A document is never altered, and each value keeps the place of its bytes.
//   - Nothing but UTF-8 without a document type, with the five entities of XML
//     and character references; size, depth and the number of elements and
//     attributes are bounded. What is refused is refused with a Fault.
//   - An observation or event is answered AA only after Stored(true), AE after
//     Stored(false), and the same document of one conversation is stored once.
//   - A conversation ends: every wait has a bound that the caller keeps.
//
// The standard's text is not public. What public descriptions and software
// disagree on is a field of Rules or Vocabulary, with a default that a first
// real device has to confirm.
package poct1a
