// Package folder takes files that are dropped in a folder: HL7 v2 messages and
// batches, LIS02 records, tables (CSV), JSON and XML.
//
//	drop/x.csv ─► whole? ─► rename to work/ ─► Inbox.Accept ─► done/
//	                │                               └─ cut off, too large ─► error/
//	                └─ waited for, never whole ─► work/cut-off/
//
// It promises:
//
//   - A file is moved to done or error only after its arrivals are stored.
//     While the store is down it stays in work; what a crash leaves there is
//     taken at the next start, and told apart from what was stored before.
//   - A file that seems cut off is waited for, and in the end stored as it is,
//     with a fault: it stands in the queue, and nothing of it is guessed at.
//   - What is written into a file after it was moved on brings it back, as long
//     as the inlet runs and for the last thousand files: an open export loses
//     no row.
//   - The same bytes under another name are a resend; the same name with other
//     bytes is something new.
//   - No link leads out of the folder, and no file name is logged: it may say
//     whose result is in the file.
//
// A file counts as whole when it was renamed from a temporary name (x.csv.tmp,
// x.csv.part), when a marker stands beside it (x.done for x.csv, not older than
// it), or when it has not changed for a while and ends as its format ends.
package folder
