// Package rules replays, with two workers, two desks and two sealers on one
// store, the stories in which results were lost, doubled or sealed twice. Its
// tests are built with the tag failpoints.
package rules
