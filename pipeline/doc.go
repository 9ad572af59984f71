// Package pipeline takes accepted arrivals to their decision.
//
//	store.ClaimArrivals ── leased, in order of arrival
//	        │
//	   Worker.Run ──► Settings.Ask: what lies over a network, before the transaction
//	        │   one writing transaction for the batch
//	   store.Decide ──► Judge.Decide(book, arrival)
//	                        mapping.Decode      bytes → readings
//	                        registry facts      who, where, which lot, what before
//	                        mapping.Resolve     reading + facts → result
//	                        validate.Check      problems → verdict
//	        │
//	   results, checks, holds, deliveries, registry rows and events: one commit
//
// Right after it, in a transaction of its own, the worker judges again the open
// holds that a control among them may change, since it was run before their
// tests and came after them, and those of patients whom a message told of:
//
//	store.Rejudge ──► Judge.Again(book, hold, arrival, settlement)
//
// The judge reads what is known through a poct.Book that is bound to the
// transaction in which its decision commits. So a control filed by the message
// before is already seen by the patient result after it, two resends in one
// batch find each other, and no fact can change between look-up and decision.
//
// A judge holds no state of its own but its profiles and rules: the same
// arrival judged against the same book gives the same decision.
package pipeline
