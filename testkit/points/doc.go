// Package points kills the daemon at each of its failpoints, one after another,
// while every inlet, the outlet, the desk and the sealer are at work, and looks
// what the next process makes of it. Its tests are built with the tag
// failpoints.
package points
