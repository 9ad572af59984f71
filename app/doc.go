// Package app puts the rooms together: it opens the store, builds what the
// configuration names, and runs it until it is told to stop.
//
// Start order: own the data folder, open the store (which refuses an old copy),
// registry files, bind every listener, then serve. Stop order: inlets take
// nothing new and answer what they have taken, the judge finishes its batch,
// outlets finish what is on the wire, nothing is watched any more, the pages
// end, the last head is signed, the store closes.
//
// What notices by itself, while nobody looks at the pages, is in supervise.go:
// open calls, ageing holds, outlets that are down, inlets and meters that are
// silent become notifications, which package notify carries out of the house.
package app
