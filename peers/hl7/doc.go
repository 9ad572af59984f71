// Package hl7peers lets HL7 v2 clients that nobody here wrote send to a real
// MLLP inlet, and checks what they understood of its answers. Its tests need
// the build tag peers, Node and Debian's python3-hl7; ./test.sh installs them.
package hl7peers
