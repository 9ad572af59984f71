// Package testkit is what the fault suites share: an invented clinic whose
// daemon runs in a process of its own and can be killed, the stand-in record
// system on the outside, senders that keep what they were told, and the
// invariants that end every fault test.
//
// It promises that a test which passes has looked from outside: at the
// sender's acknowledgements, the rows of the database, the resources of the
// record system and the ledger, never at what the daemon says of itself alone.
//
//	senders --MLLP, HTTP--> child process (the real app) --FHIR--> stand-in
//	   |                          | killed, restarted                  |
//	   +-------- Book ------------+---------- data folder -------------+--> Check
//
// Only tests import it. Build them with the tag failpoints.
package testkit
