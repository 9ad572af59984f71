// Package jetstream takes messages from a NATS JetStream stream: of a server
// that the user runs, or of one embedded in the daemon.
//
//	sender ─► stream (on disk, synced) ─► durable consumer ─► ingest.Put ─► ack
//	                     ▲                                        │
//	                     └──── given back, handed out again ◄── error
//
// It promises:
//
//   - A message is acknowledged to the stream only after the store's commit;
//     until then the stream keeps it and hands it out again, for as long as it
//     takes. What comes twice is told apart by the store.
//   - A message that cannot be read becomes an arrival with its fault and is
//     acknowledged: it waits for a person, not for ever in the stream.
//   - A stream made here gives up a message once it is acknowledged: patients'
//     results do not pile up in it.
//   - Messages are stored one after another, in the order of the stream.
package jetstream
