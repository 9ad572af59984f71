// Package mllp is the inlet for meters that send HL7 v2 over MLLP, on TCP or
// mutual TLS.
//
//	connection ─► session ─► hl7.FrameReader ─► hl7.SplitBatch
//	                 ▲                               │ one message at a time
//	                 │                               ▼
//	             hl7.Ack ◄── nil or error ── ingest.Inbox.Accept
//
// It promises:
//
//   - A positive answer (AA, CA) leaves only after Accept returned nil. Any
//     failure of ours is AE or CE, which means "send again", never AR.
//   - What cannot be read or is not taken here is stored all the same, with the
//     reason, and answered AR or CR: sending it again is of no use.
//   - Messages of one connection are stored and answered in the order in which
//     they came, each answer in a single write. An acknowledgement is never
//     acknowledged.
//   - Where control ids cannot tell answers apart, the same bytes are answered
//     once per connection (see repeats).
//   - A frame that was not finished is no message: no answer, no arrival; its
//     last 64 KiB are kept as a notice.
//   - A sender that is slow, endless, broken or hostile costs its own session
//     and at most one frame of memory; a panic costs one session.
package mllp
