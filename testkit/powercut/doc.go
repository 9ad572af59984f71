// Package powercut runs the real store on a disk that can lose power between
// any two of its writes, and looks what a machine would find afterwards. Its
// tests are built with the tag failpoints.
package powercut
