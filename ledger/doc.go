// Package ledger is the Merkle log of every step in a result's life: what an
// event looks like as a leaf, how leaves become a tree (RFC 6962 hashing), how
// a head is signed as a checkpoint, and how an exported pack is checked by
// somebody who trusts nothing but a public key.
//
// It promises that the same events give the same bytes, hashes and root for
// ever; that nothing about a patient enters a leaf except as a salted digest,
// so that deleting payload and salt erases it while every proof stays good;
// and that whatever is handed to it, however mangled, gives an answer or an
// error and never a crash.
//
//	event -> Leaf -> Tree.Append -> root -> Sign -> checkpoint
//	                     |                              |
//	                  tiles -> Reader -> Prove -> proof + checkpoint -> VerifyPack
//
// It takes values and returns values: no clock, files or database.
package ledger
