// Package poct1a is the inlet for meters that speak POCT1-A2: the data
// manager's side, on TCP or mutual TLS. Meters connect, the inlet listens.
//
//	connection ─► session ─► Splitter ─► Parse ─► Conversation ─► ingest.Inbox.Accept
//	                 ▲                                 │   ▲            │
//	                 └──── Render ◄── what to send ────┘   └── kept ────┘
//
// It promises:
//
//   - A document is answered AA only after Accept returned nil, and AE after
//     any failure of ours: the meter keeps it and sends it again. What cannot be
//     read is stored all the same, with the reason; sending it again is of no use.
//   - Each OBS and EVS document is one arrival, and so is a document of a type
//     that is not known here. Raw is the document's bytes as they came, without
//     blanks or framing around it.
//   - A result names no meter: only the hello does. So Batch holds the bytes of
//     the hello under which the document came, and the serial number stands in
//     Source, as inlet|serial: the same bytes from one meter are one arrival in
//     whatever conversation they come, equal bytes from two meters are two.
//     Where no hello came, the peer's host takes the serial's place.
//   - A new hello of a serial number ends an older connection under it, once what
//     that has in hand is answered.
//   - Meters are sent nothing that they do not say they can take, and nothing at
//     all while the registry does not know them.
//   - A peer that is silent, slow or too large is cut off, and harms no other.
//     An idle connection holds a few kilobytes.
//   - A stop ends each conversation with END, within a bounded time.
package poct1a
