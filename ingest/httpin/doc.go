// Package httpin takes one message, or one HL7 batch, in the body of a POST.
//
//	POST ─► token? ─► whole body ─► ingest.Put ─► 202 with the arrival's id
//	                                    └─ error ─► 503 with Retry-After
//
// It promises:
//
//   - 202 comes only after the store's commit. The same bytes again get the
//     same id, and "resent".
//   - Whoever cannot show the token is answered 401 before the body is read.
//   - A body that did not come whole, or is too large, is no message: nothing
//     of it is stored, and the answer is no 2xx.
//   - No answer quotes the message or the token, and neither does the log.
package httpin
