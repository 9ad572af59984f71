// Package fault names the places where a crash, a block or a failure may be
// put in a test build.
//
// Built without the tag failpoints, Point is an empty function that the
// compiler removes. Built with it, each point can be given an action, by Set
// or by the environment:
//
//	TIDEGATE_FAULT="store.written=kill"     the process kills itself there (SIGKILL)
//	TIDEGATE_FAULT="seal.anchored=exit"     it exits with status 3
//	TIDEGATE_FAULT="store.decided=block"    the goroutine stops there for good
//	TIDEGATE_FAULT="store.intent=kill@40"   only at the 40th time; several by comma
//
// and Hit lists the points that were passed, so that a test can fail when one
// was not.
package fault
