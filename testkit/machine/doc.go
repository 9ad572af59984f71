// Package machine lets the machine under the daemon fail: a full disk, a sync
// that fails, a second daemon, an older copy of the data, flipped bits. Its
// tests are built with the tag failpoints.
package machine
