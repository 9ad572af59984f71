// Package canary sends an invented patient through every path and looks for
// that patient where none may be: logs, metrics, acknowledgements, refusals,
// URLs, titles. Its tests are built with the tag failpoints.
package canary
