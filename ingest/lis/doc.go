// Package lis is the inlet for instruments that send LIS02 records (ASTM
// E1394) over the LIS01 link (ASTM E1381), on TCP, with or without TLS, or on
// a serial port; and for those that send bare records over TCP.
//
//	TCP ────┐                                   H..L, one message
//	        ├─► session ─► astm.Link ─► astm.Assembly ─► Inbox.Accept
//	serial ─┘      ▲           ▲                               │
//	               └── write ──┴── Verdict: ACK or NAK ◄── nil or error
//
// # When a frame is acknowledged
//
// A message is one H to L, however the frames divide it; it is one arrival of
// format lis02, its bytes what stood within the frames. The frame that holds
// the end of its L record is the commit point: it is answered ACK only after
// Accept returned nil, else NAK. The frames before it are acknowledged as they
// come. That is safe because LIS01 has no way of delivering a part: a sender
// whose last frame is refused six times, or is not answered, ends with EOT and
// has not delivered its message; it sends all of it again, from H. So until L
// is acknowledged the meter keeps the message, and what is here is thrown away
// when the sending ends (its bytes kept as a notice).
//
//   - A failure of ours is NAK: the sender tries the same frame again at once,
//     and Accept is tried again with it.
//   - A frame that comes again because our ACK was lost is acknowledged and not
//     taken twice. A whole message that comes again is known by its digest.
//   - Where a sending holds several messages, each has its own commit point;
//     one that fails does not undo those before it.
//   - What cannot be read is kept and acknowledged, as sending it again would
//     not help: records that follow no H, with their frame; a message that has
//     no L, when another H begins behind it or the sending ends in order. Such
//     a message's frames have been acknowledged as they came, and EOT has no
//     answer, so it is tried until it is stored, and nothing is read meanwhile.
//   - An answer that comes later than the sender waits (four fifths of
//     reply_time) is not given at all, and a TCP connection is closed. A late
//     ACK would be taken for the answer to what the sender does next, and each
//     answer after it for the next but one, up to a message that it forgets
//     though it was never stored.
//
// Bare records have no answers. What cannot be stored is tried until it is,
// and nothing is read meanwhile; silence or the end of the connection ends a
// message that has no L, which is then kept as one that cannot be read.
//
// A host query (Q) is an arrival like any other and is answered, when the line
// is at rest, by what Answerer knows; without one, that nothing is known.
//
// A sender that is slow, endless, broken or hostile costs its own session and
// at most one message of memory; an idle connection costs a goroutine and half
// a KiB.
package lis
