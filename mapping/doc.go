// Package mapping turns arrivals into readings by meter profile, and results
// into FHIR transactions.
//
//	samples --Draft--> ProfileConfig, and what is unsure in it
//	ProfileConfig --Compile--> Profile
//	Arrival --Decode (Profile)--> readings, problems
//	Arrival --Explain (Profile)--> where each field was read, what was not
//	Reading + Facts --Resolve--> Result
//	Result --Bundle--> transaction for the record system
//
// A format is one row of the table in formats.go: how a profile writes its
// places, and how its arrivals are read. Everything else is the same for all.
//
// What it promises:
//
//   - Pure: no clock, logger, file or network. The same bytes and the same
//     profile give the same readings; the same result gives the same bytes.
//   - Nothing is made up. A value is the text that was sent; a number is a
//     decimal read from that text; what a profile does not name is left alone.
//     What cannot be read as a whole becomes one unread reading with a reason.
//   - Decode never fails and never panics: every arrival yields at least one
//     reading.
//   - Each field of a reading keeps the place of its bytes (Reading.Where), so
//     that a person can be shown them.
//   - What is rendered is valid FHIR R4: no empty arrays, no repeated keys,
//     numbers with the digits that were sent, times with an offset.
package mapping
