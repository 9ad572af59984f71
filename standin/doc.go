// Package standin plays the other parties of the job: a FHIR R4 record system,
// the meters and the people of an invented clinic group, and whoever they page.
//
// All judge from outside. The record system reads the raw JSON that reaches
// it and knows the published R4 rules only; it uses none of the project's own
// encoders, and nothing it accepts is taken on trust from them. The meters
// speak from text templates over real sockets, files and queues. The people
// act through the HTTP API, each with a token of their own.
//
//	Day: items ── phase 1 ── acts ── phase 2 ── acts ... ── the account it must come to
//
//	request ── fault plan ── token ── route ──┬─ read, search
//	                                          └─ parse ── judge ── apply ── answer
//
// The record keeps everything in memory and is safe for concurrent use. It is
// stricter than most servers: what it refuses, some real one refuses too.
// Everything in it is invented; it is no server for patients' data.
package standin
