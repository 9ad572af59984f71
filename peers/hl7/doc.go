// Package hl7peers lets HL7 v2 software that nobody here wrote talk to ours:
// clients send to a real MLLP inlet, and what they understood of its answers is
// checked; receivers take results from a real outlet, and what they read is
// compared with what was sent. Its tests need the build tag peers, Node and
// Debian's python3-hl7; ./test.sh installs them.
package hl7peers
