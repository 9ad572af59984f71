// Package probe tries a record system out on a test patient before go-live: it
// files invented results through the very code that the daemon delivers with,
// reads them back, corrects and withdraws them, and tells what is missing.
//
//	promises ─► patient ─► conditions ─► settings ─► life ─► clearing ─► report
//	metadata    exactly    If-None-Exist  what to    file     all is      to be
//	            one        If-None-Match  write      again    entered-    signed
//	                       If-Match                  correct  in-error
//	                       transactions              withdraw
//
// What it promises:
//
//   - It writes for one patient alone, whom its caller vouches for, and never
//     creates one.
//   - Its results cannot be taken for others: their identifiers come from a
//     meter that does not exist and a UUID of this very run; each says in a note
//     that it is a test.
//   - Whatever it filed is entered-in-error when it ends, however it ends, or
//     the report names what still stands.
//   - The report holds what was sent and answered, never the patient: of the
//     number the last two characters, no name, no birth date.
package probe
