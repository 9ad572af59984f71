// Package app puts the rooms together: it opens the store, builds what the
// configuration names, and runs it until it is told to stop.
//
// Start order: own the data folder, open the store (which refuses an old copy),
// registry files, bind every listener, then serve. Stop order: inlets take
// nothing new and answer what they have taken, the judge finishes its batch,
// outlets finish what is on the wire, the last head is signed, the pages end,
// the store closes.
package app
