// Package store keeps everything that must outlive a power cut, and holds all
// SQL of the project.
//
// It promises:
//
//   - What a method has answered is on the disk. Accept answers a resend only
//     after the commit that its first copy waits for, too.
//   - A step and its event stand in one commit: there is no state without its
//     event and no event without its state.
//   - After the first failed commit nothing is answered with yes any more:
//     every waiting caller gets an error and Options.Fatal is called. A full
//     disk alone is no such end: it is refused, and works again by itself when
//     there is room.
//   - One process owns a data folder; a second one is told who does.
//   - Who is to be told is written with what they are told of: a crash loses
//     neither the one nor the other.
//   - What casts doubt on results that went out, a failed control or a recalled
//     lot, lists each of them in the commit that learns of it, with an event in
//     its trace; nothing is taken off the list but by a person's judgement.
//   - Late workers are fenced: a decision, an intent or a receipt commits only
//     while its claim holds.
//
// Writes queue to one goroutine, which commits what has come together:
//
//	Accept Decide Intent Finish Settle ...      Book Holds Trace Account ...
//	        │ op                                        │
//	   ┌────▼──────────────────────────────┐      ┌─────▼──────┐
//	   │ writer: BEGIN                     │      │ read pool  │
//	   │   each op, apart from the others  │      │ query_only │
//	   │   events numbered, leaves hashed  │      └─────┬──────┘
//	   │ COMMIT (fsync) ─► answers         │            │
//	   └────┬──────────────────────────────┘            │
//	        └───────────── tidegate.db (WAL) ───────────┘
//
// Leases live in memory: they are promises among the goroutines of one
// process, and a process that ends has let go of everything. What must survive
// it, the intent to send, is in the database.
package store
