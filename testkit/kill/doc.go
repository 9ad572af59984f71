// Package kill ends the daemon with SIGKILL again and again while meters send
// and the record system misbehaves, and then looks whether anything is lost or
// there twice. Its tests are built with the tag failpoints.
package kill
