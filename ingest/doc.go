// Package ingest is what all inlets share: the Inbox they put into, and the
// few steps that every message takes on its way there. The inlets themselves
// are the packages below it, one for each way in.
//
//	mllp ───────┐
//	folder ─────┤  bytes   Split: one arrival     Inbox.Accept    ┌─► positive answer
//	jetstream ──┼────────► for each message ────► (one durable ───┤
//	httpin ─────┘          of a batch              commit)        └─► error: negative answer,
//	                                                                  or the message stays
//	                                                                  where it is
//
// It promises: the sender's positive answer (an acknowledgement, a 202, a
// stream's ack, a file moved to done) follows Accept's nil and nothing else.
// Package sourcetest holds the suite that every inlet passes.
package ingest
