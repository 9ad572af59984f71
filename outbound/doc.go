// Package outbound takes released results to the record system, once.
//
//	store.ClaimDeliveries ── leased, versions of one result in order
//	      │
//	  intent found? ── yes ─► wait out the last send ─► look up ─► there: done
//	      │ no                                             │ not there
//	  ids resolved, mapping.Bundle                         │
//	      │                                                │
//	  store.Intent: the bytes are committed                │
//	      │                                                │
//	  send the committed bytes ◄───────────────────────────┘
//	      │
//	  Classify ─► store.Finish: delivered, retry at, or hold
//
// What it promises:
//
//   - Once. Intent is committed before the first byte leaves; an outcome that
//     nobody knows is waited for and looked up before anything is sent again.
//     A receiver that cannot be asked (HL7 v2, a queue, a folder) gets the same
//     bytes under the same name until it acknowledges them: at least once, and
//     once where it drops by that name what it has.
//   - The bytes sent are the bytes committed, however often they are sent. Where
//     resources go one by one, only their references to each other are filled
//     in, and what landed before is left out; where a record system turns out
//     not to take that form at all, only how a resource is named changes.
//   - An update names the version it replaces. After a conflict versions are
//     compared; nothing is read and applied again.
//   - A receipt commits only under the lease that it was claimed with.
//   - One refused record is set aside and blocks no other; a failing
//     destination is left alone as a whole until it answers again, and then
//     comes back a few deliveries at a time.
//   - No patient data in logs, errors and receipts; hosts come from the
//     configuration alone and redirects are never followed.
package outbound
