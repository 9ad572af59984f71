// Package registry says what is known about a reading: its site, meter,
// operator, lots, patient and visit, the test that already has its key, the
// controls before it, how its lot came and was accepted, the patient's earlier
// results, laboratory results and findings, and the clocks of meter and site.
// It also reads the registry's tables from CSV.
//
//	poct.Reading ──► Facts(book, …) ──► poct.Facts
//	meter, now ──► ReadyFacts(book, …) ──► poct.Facts, the lot used last
//	CSV of one kind ──► ReadCSV ──► poct.RegistryRows, refused lines
//
// It promises that it never guesses: what is not found stays empty, and a
// number that looks like a registered one is told as a fact beside, never put
// in its place. A look-up that fails is an error, not an absence. A refused
// line is told with its line, column and reason, and no patient's data.
//
// Messages about patients, visits and orders change it by Apply, which is pure.
// A Directory answers from the record system instead: it is asked before a
// transaction, and inside one only tells what it was told.
package registry
