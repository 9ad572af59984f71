// Package audit tells an audit repository of each sending of an outlet of kind
// fhir, as IHE Basic Audit Log Patterns ask of a client: who wrote what of
// whose record, when, and how it ended.
//
//	outbound.Worker ─► Recording.Finish ─► store.Finish: receipt and AuditEvents, one commit
//	                                             │
//	audit.Worker ◄────── store.Audits ◄──────────┘
//	     │
//	POST AuditEvent ─► taken: the row goes; away: later; refused: set aside, counted
//
// What it promises:
//
//   - An AuditEvent is kept by the commit that keeps the receipt it tells of, and
//     offered until it is taken: at least once, with an id in it by which a
//     second one is known.
//   - A repository that is down or slow holds up no result.
//   - An AuditEvent names the patient, the resources and how it ended, and holds
//     no value, name or birth date.
package audit
