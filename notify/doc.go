// Package notify tells other systems that a person is needed.
//
//	store: notifications in order, a cursor for each channel
//	      │
//	  Outbox.Notifications ─► not wanted here, or too old ─► cursor moves on
//	      │ wanted
//	  notice: the seven keys, nothing about a patient
//	      │
//	  webhook POST │ JetStream publish ─► failed ─► pause, the same one again
//	      │ taken by the other side
//	  Outbox.Notified: the cursor moves
//
// What it promises:
//
//   - At least once, in order, for each channel. A notification that was sent
//     and not yet written down as sent is sent again under the same id, which
//     the webhook carries as Idempotency-Key and the stream as Nats-Msg-Id.
//   - Channels are apart: one that fails, hangs or is gone holds up no other.
//   - Nothing about a patient leaves: codes, ids of the configuration, and the
//     ids of holds and results. A receiver that wants more signs in and looks.
//   - A notification that nobody took within the channel's give_up is left, with
//     a log line and a count; so is one that the other side refuses as such, so
//     that it does not stand before the next critical result.
//   - Hosts come from the configuration alone and redirects are not followed.
//     Neither secrets nor the paths of addresses are logged.
package notify
