// Package bench measures this machine and prints ratios: what the daemon does
// against what the disk, the loopback and the processor do by themselves in
// the same minute. Ratios hold where single figures drift.
package bench
