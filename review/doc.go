// Package review is the desk where a person settles what was held: correct,
// release, discard or send again, each with a name, a time and a reason.
//
// It promises that nobody acts on a hold that changed since they looked at it,
// that nobody acts outside their sites or their rank, that the device's value
// and time are never edited, and that a corrected or released reading runs the
// whole way again, from facts to verdict, in the transaction that settles it.
//
//	person ─► Desk.Settle ─► who may? ─► Store.Settle ─► Judge.Again ─► one commit
//
// Results that a failed control or a recalled lot casts doubt on are judged one
// by one (Desk.JudgeItem), any result can be taken back (Desk.Withdraw), and
// each attempt to tell a person of a critical result is kept, with the value
// that was read back (Desk.Call).
//
// What a person looked at is written down too: Desk.Look.
package review
