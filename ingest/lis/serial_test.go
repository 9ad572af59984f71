//go:build linux

package lis

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// port is a serial port as a pseudo-terminal: the inlet opens the name, the
// meter has the other end.
func port(t *testing.T, name string) *os.File {
	t.Helper()
	ours, theirs, err := pty.Open()
	require.NoError(t, err)
	t.Cleanup(func() { _ = ours.Close() })
	// A terminal answers for itself (echo) until somebody opens it as a port.
	mode, err := unix.IoctlGetTermios(int(theirs.Fd()), unix.TCGETS)
	require.NoError(t, err)
	mode.Lflag &^= unix.ECHO | unix.ICANON
	mode.Oflag &^= unix.OPOST
	mode.Iflag &^= unix.ICRNL
	require.NoError(t, unix.IoctlSetTermios(int(theirs.Fd()), unix.TCSETS, mode))
	t.Cleanup(func() { _ = theirs.Close() })
	_ = os.Remove(name)
	require.NoError(t, os.Symlink(theirs.Name(), name))
	return ours
}

// A whole conversation over a serial port; then the adapter is pulled out in
// the middle of one, and another is put in.
func TestSerial(t *testing.T) {
	name := filepath.Join(t.TempDir(), "ttyUSB0")
	ours := port(t, name)
	b := newBox()
	in := newInlet(t, Config{Serial: name}, b, nil)
	require.NoError(t, in.Listen())
	require.Equal(t, name, in.Addr())
	run(t, in)
	m := meter{t, ours}
	m.ask(enq, ack)
	m.ask(frame(1, recH+recP), ack)
	b.down()
	m.ask(frame(2, recO+recR+recL), nak)
	b.failing(nil)
	m.ask(frame(2, recO+recR+recL), ack)
	m.ask(eot+enq, ack)
	m.ask(frame(1, recH+recP), ack)
	_ = ours.Close()
	b.told(t, "a message was broken off, the connection ended")
	b.told(t, "the serial port cannot be used")

	m = meter{t, port(t, name)}
	m.ask(enq, ack)
	m.ask(frame(1, "H|\\^&\rQ|1|7\rL|1|N\r"), ack)
	m.ask(eot, enq)
	m.ask(ack, frame(1, "H|\\^&|||tidegate|||||||P\r"))
	m.ask(ack, frame(2, "L|1|I\r"))
	m.ask(ack, eot)
	require.Equal(t, []string{recH + recP + recO + recR + recL, "H|\\^&\rQ|1|7\rL|1|N\r"}, b.raws())
}

// A port that is not there is waited for, and told of once. A message that goes
// too far ends its sending, not the inlet.
func TestSerialNotThere(t *testing.T) {
	name := filepath.Join(t.TempDir(), "ttyUSB0")
	b := newBox()
	in := newInlet(t, Config{Serial: name, MaxMessage: 200}, b, nil)
	run(t, in)
	b.told(t, "the serial port cannot be used")
	m := meter{t, port(t, name)}
	m.ask(enq, ack)
	m.ask(frame(1, recH+recP), ack)
	m.write(frame(2, recH+string(make([]byte, 200))))
	b.told(t, "more than the 200 bytes allowed")
	m.ask(eot+enq, ack)
	m.ask(frame(1, all), ack)
	require.Equal(t, []string{all}, b.raws())
}
