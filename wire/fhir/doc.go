// Package fhir speaks to a FHIR R4 record system over REST: it writes the
// transaction envelope, sends requests and reads answers. It knows no medicine.
//
//	Writer --resources--> Transaction --bytes--> Client.Transact --> Answer
//	                                 --Client.Create/Put/Read/Search-->
//	          Client.Capabilities --> Caps
//
// What it promises:
//
//   - One request is sent at most once. Nothing is retried here and no
//     redirect is followed; what an answer means is for the caller to decide.
//   - An error says whether anything can have reached the other side:
//     ErrNotSent if surely nothing did, ErrUnknown if something may have.
//   - Answers are read strictly and within bounds: a repeated key, a body over
//     the limit or a body that is no JSON is never half understood.
//   - Errors carry no URL, since search URLs can name a patient.
package fhir
