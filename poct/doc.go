// Package poct holds the words of the job as types: arrival, reading, result,
// problem, verdict, hold, delivery, receipt, event, and the registry's rows.
//
// It imports nothing of the project and does no work beyond comparing and
// printing its own values, so that every other package can speak these words
// without depending on one another. Values here are data: no clock, no logger,
// no files.
package poct
