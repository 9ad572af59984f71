package lis

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/wire/astm"
)

// The frame that ends the L record is acknowledged once its message is stored,
// and not before; those before it as they come.
func TestCommitPoint(t *testing.T) {
	b := newBox()
	m, _ := dial(t, serve(t, Config{}, b))
	m.ask(enq, ack)
	for n, rec := range []string{recH, recP, recO, recR} {
		m.ask(frame(n+1, rec), ack)
	}
	require.Empty(t, b.raws(), "nothing is whole")
	b.down()
	m.ask(frame(5, recL), nak)
	m.ask(frame(5, recL), nak)
	b.failing(nil)
	m.ask(frame(5, recL), ack)
	require.Equal(t, []string{all}, b.raws())
	m.ask(frame(5, recL), ack) // our answer was lost
	m.write(eot)
	m.ask(enq, ack)
	require.Equal(t, []string{all}, b.raws())
	require.Zero(t, b.resends, "a frame that comes again is not handed in again")

	a := b.arrivals[0]
	assert.Equal(t, "millrace", a.Inlet)
	assert.Equal(t, "77", a.ControlID)
	assert.Equal(t, "lis02", a.Format)
}

// A store that keeps and then fails: the same frame, and the same message in
// the next sending, are known by their digest.
func TestKeptAndRefused(t *testing.T) {
	b := newBox()
	m, _ := dial(t, serve(t, Config{}, b))
	for round := range 2 {
		m.ask(enq, ack)
		m.ask(frame(1, recH+recP+recO+recR), ack)
		m.ask(frame(2, recL), ack)
		m.write(eot)
		require.Equal(t, round, b.resends)
	}
	require.Equal(t, []string{all}, b.raws())
}

// However the frames divide it, the message is the same.
func TestDivided(t *testing.T) {
	for _, size := range []int{1, 7, 20, 60, 1000} {
		b := newBox()
		m, _ := dial(t, serve(t, Config{}, b))
		m.ask(enq, ack)
		n := 1
		for text := all; text != ""; n++ {
			part, end := text, "\x03"
			if len(part) > size {
				part, end = part[:size], "\x17"
			}
			text = text[len(part):]
			m.ask(frameEnding(n, part, end), ack)
		}
		m.write(eot)
		require.Equal(t, []string{all}, b.raws(), "%d bytes a frame", size)
	}
}

func TestSeveralMessages(t *testing.T) {
	b := newBox()
	m, _ := dial(t, serve(t, Config{}, b))
	second := strings.Replace(all, "|77|", "|78|", 1)
	b.failing(func(_ context.Context, a poct.Arrival) error {
		if a.ControlID == "78" {
			return errDown
		}
		return nil
	})
	m.ask(enq, ack)
	m.ask(frame(1, all), ack)
	m.ask(frame(2, second), nak)
	m.write(eot)
	b.failing(nil)
	m.ask(enq, ack)
	m.ask(frame(1, all+second), ack) // both in one frame, the first again
	require.Equal(t, []string{all, second}, b.raws())
	require.Equal(t, 1, b.resends)
}

// What cannot be read is stored before it is acknowledged, and once.
func TestUnreadable(t *testing.T) {
	b := newBox()
	m, _ := dial(t, serve(t, Config{}, b))
	m.ask(enq, ack)
	b.down()
	m.ask(frame(1, "MSH|^~\\&|QUILL3\r"), nak)
	b.failing(nil)
	m.ask(frame(1, "MSH|^~\\&|QUILL3\r"), ack)
	m.ask(frame(2, recH+recP), ack)
	m.ask(frame(3, all), ack) // no L before the next H
	m.ask(frame(4, strings.Replace(recH, "|77|", "|79|", 1)), ack)
	m.write(eot) // no L at the end
	m.ask(enq, ack)
	require.Equal(t, []string{
		"records that follow no H record: MSH|^~\\&|QUILL3\r",
		"the message has no L record: another one begins behind it: " + recH + recP,
		all,
		"the message has no L record: it was not sent to its end: " + strings.Replace(recH, "|77|", "|79|", 1),
	}, b.raws())
}

// A message that was broken off is none; its bytes are kept as a notice, and
// what comes next is taken.
func TestBrokenOff(t *testing.T) {
	for _, c := range []struct {
		name, then, what string
		hangUp           bool
	}{
		{name: "begun anew", then: enq, what: "a message was broken off, the sender began anew: 78 bytes had come"},
		{name: "given up within a frame", then: "\x022R|" + eot + enq, what: "a message was broken off, the sender gave it up: 78 bytes had come"},
		{name: "hung up", hangUp: true, what: "a message was broken off, the connection ended: 78 bytes had come"},
	} {
		b := newBox()
		in := serve(t, Config{}, b)
		m, conn := dial(t, in)
		m.ask(enq, ack)
		m.ask(frame(1, recH+recP), ack)
		if c.hangUp {
			_ = conn.Close()
		} else {
			m.ask(c.then, ack)
		}
		b.told(t, c.what)
		assert.Equal(t, recH+recP, string(b.notices[0].Bytes), c.name)
		if c.hangUp {
			m, _ = dial(t, in)
			m.ask(enq, ack)
		}
		m.ask(frame(1, all), ack)
		assert.Equal(t, []string{all}, b.raws(), c.name)
	}
}

func TestRefusedFrames(t *testing.T) {
	b := newBox()
	m, _ := dial(t, serve(t, Config{MaxFrame: 200}, b))
	m.ask(enq, ack)
	m.ask(strings.Replace(frame(1, all), "2.4", "9.4", 1), nak)
	m.ask(frame(2, all), nak)
	m.ask(frame(1, all+strings.Repeat("x", 200)), nak)
	m.ask(frame(1, all), ack)
	require.Equal(t, []string{all}, b.raws())
}

// An endless message, and endless bytes that are none, end their connection;
// others are served.
func TestTooLong(t *testing.T) {
	b := newBox()
	in := serve(t, Config{MaxMessage: 200}, b)
	m, _ := dial(t, in)
	m.ask(enq, ack)
	m.ask(frame(1, recH+recP), ack)
	m.write(frame(2, "C|1|I|"+strings.Repeat("x", 200)+"\r"))
	m.ended()
	b.told(t, "more than the 200 bytes allowed")

	m, _ = dial(t, in)
	m.write(strings.Repeat("x", 300))
	m.ended()
	b.told(t, "bytes outside any sending")

	m, _ = dial(t, in)
	m.ask(enq, ack)
	m.ask(frame(1, all), ack)
	require.Equal(t, []string{all}, b.raws())
}

func TestJunk(t *testing.T) {
	b := newBox()
	m, _ := dial(t, serve(t, Config{}, b))
	m.ask("GET / HTTP/1.1\r\n\r\n"+enq, ack)
	b.told(t, "14 bytes outside any sending")
	m.ask(frame(1, all), ack)
}

func TestConnectionsAndAllow(t *testing.T) {
	b := newBox()
	in := serve(t, Config{MaxConnections: 1}, b)
	first, _ := dial(t, in)
	first.ask(enq, ack)
	more, _ := dial(t, in)
	more.ended()
	b.told(t, "a connection was refused: all 1 are in use")
	first.ask(frame(1, all), ack)

	closed := serve(t, Config{Allow: []string{"192.0.2.0/24", "2001:db8::1"}}, b)
	other, _ := dial(t, closed)
	other.ended()
	b.told(t, "its address is not in allow")
	open := serve(t, Config{Allow: []string{"127.0.0.1"}}, b)
	m, _ := dial(t, open)
	m.ask(enq, ack)
}

// orders answers what an instrument asks for.
type orders map[string]string

func (o orders) Answer(_ context.Context, q astm.Group) ([]byte, error) {
	id := q.Field(3).Component(1).Text()
	if id == "broken" {
		return nil, errors.New("the registry is away")
	}
	if o[id] == "" {
		return nil, nil
	}
	d := astm.Standard
	return d.AppendRecord(d.AppendRecord(nil, 'P', "1", "", id), 'O', "1", o[id], "", "^^^INR"), nil
}

// A host query is stored like any message, and answered when the line is at
// rest.
func TestHostQuery(t *testing.T) {
	query := func(id string) string { return "H|\\^&|9||quill-7||||||||LIS2-A2\rQ|1|" + id + "||ALL\rL|1|N\r" }
	head := "H|\\^&|||tidegate|||||quill-7||P|LIS2-A2\r"
	for _, c := range []struct {
		name string
		a    Answerer
		id   string
		want []string
	}{
		{"an order", orders{"MRN0007": "S-0001"}, "MRN0007", []string{head, "P|1||MRN0007\r", "O|1|S-0001||^^^INR\r", "L|1|F\r"}},
		{"none", orders{}, "MRN0007", []string{head, "L|1|I\r"}},
		{"nobody knows", nil, "MRN0007", []string{head, "L|1|I\r"}},
		{"it cannot be asked", orders{}, "broken", nil},
	} {
		b := newBox()
		in := newInlet(t, Config{}, b, c.a)
		require.NoError(t, in.Listen())
		run(t, in)
		m, _ := dial(t, in)
		m.ask(enq, ack)
		m.ask(frame(1, query(c.id)), ack)
		m.write(eot)
		if c.want == nil {
			m.ask(enq, ack)
			continue
		}
		m.answers(enq)
		m.write(enq) // both begin: the host gives way
		m.ask(enq, ack)
		m.ask(frame(1, all), ack)
		m.ask(eot, enq)
		for n, rec := range c.want {
			m.ask(ack, frame(n+1, rec))
			if n == 1 {
				m.ask(nak, frame(n+1, rec))
			}
		}
		m.ask(ack, eot)
		require.Equal(t, []string{query(c.id), all}, b.raws(), c.name)
	}
}

func TestBare(t *testing.T) {
	b := newBox()
	in := serve(t, Config{Mode: "bare"}, b)
	m, conn := dial(t, in)
	m.write(all[:30])
	m.write(all[30:] + strings.ReplaceAll(strings.Replace(all, "|77|", "|78|", 1), "\r", "\r\n"))
	b.waitFor(2)
	m.write("what?\r" + recH + recP)
	_ = conn.(*net.TCPConn).CloseWrite()
	m.ended()
	require.Equal(t, []string{
		all, strings.TrimSuffix(strings.ReplaceAll(strings.Replace(all, "|77|", "|78|", 1), "\r", "\r\n"), "\n"),
		"records that follow no H record: what?\r",
		"the message has no L record: it was not sent to its end: " + recH + recP,
	}, b.raws())

	m, _ = dial(t, in)
	m.ask("H|\\^&|9||quill-7\rQ|1|7\rL|1|N\r", "H|\\^&|||tidegate|||||quill-7||P\rL|1|I\r")
	m.write(strings.Repeat("x", defaultMaxMessage+1))
	m.ended()
	b.told(t, "more than the 1048576 bytes allowed")
}

// Stop lets the message in hand be finished, and ends what is idle at once.
func TestDrain(t *testing.T) {
	b := newBox()
	in := newInlet(t, Config{}, b, nil)
	require.NoError(t, in.Listen())
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- in.Run(ctx) }()
	idle, _ := dial(t, in)
	idle.ask(enq, ack)
	idle.write(eot)
	m, _ := dial(t, in)
	m.ask(enq, ack)
	m.ask(frame(1, recH+recP), ack)
	stop()
	idle.ended()
	m.ask(frame(2, recO+recR+recL), ack)
	m.write(eot)
	m.ended()
	require.NoError(t, <-done)
	require.Equal(t, []string{recH + recP + recO + recR + recL}, b.raws())
}

// A panic costs one connection, and what it held is not acknowledged.
func TestPanic(t *testing.T) {
	b := newBox()
	in := serve(t, Config{}, b)
	m, _ := dial(t, in)
	m.ask(enq, ack)
	b.failing(func(context.Context, poct.Arrival) error { panic("a fault of the test's") })
	m.write(frame(1, all))
	m.ended()
	b.failing(nil)
	m, _ = dial(t, in)
	m.ask(enq, ack)
	m.ask(frame(1, all), ack)
}

// script is a line on which everything has come already.
type script struct {
	net.Conn
	parts [][]byte
	wrote []byte
}

func (s *script) Read(b []byte) (int, error) {
	if len(s.parts) == 0 {
		return 0, net.ErrClosed
	}
	n := copy(b, s.parts[0])
	s.parts = s.parts[1:]
	return n, nil
}

func (s *script) Write(b []byte) (int, error) {
	s.wrote = append(s.wrote, b...)
	return len(b), nil
}

func (s *script) SetReadDeadline(time.Time) error  { return nil }
func (s *script) SetWriteDeadline(time.Time) error { return nil }

// Whatever comes on a line: no panic, and a whole message that was sent alone
// and acknowledged is stored.
func FuzzSession(f *testing.F) {
	for _, bare := range []bool{false, true} {
		f.Add([]byte(enq+frame(1, all)+eot), bare)
		f.Add([]byte(enq+frame(1, recH)+frame(2, recL)+frame(2, recL)+enq+frame(1, "x\r")+eot+"junk"), bare)
		f.Add([]byte(all+"\n"+all+"what?\r"+recH), bare)
		f.Add([]byte(enq+frame(1, "H|\\^&\rQ|1|7\rL|1|N\r")+eot+ack+ack+nak+ack), bare)
	}
	f.Fuzz(func(t *testing.T, raw []byte, bareMode bool) {
		b := newBox()
		cfg := Config{MaxMessage: 4096}
		if bareMode {
			cfg.Mode = "bare"
		}
		in := newInlet(t, cfg, b, orders{"7": "S-1"})
		l := &script{}
		for len(raw) > 0 {
			n := min(len(raw), 100)
			l.parts, raw = append(l.parts, raw[:n]), raw[n:]
		}
		s := newSession(in, l, "peer")
		_ = s.run(context.Background()) // ends with the line
		for _, a := range b.arrivals {
			if len(a.Raw) == 0 || len(a.Raw) > cfg.MaxMessage+1 && a.Fault == "" {
				t.Fatalf("%d bytes stored", len(a.Raw))
			}
			if _, err := astm.Parse(a.Raw); err != nil && a.Fault == "" {
				t.Fatalf("%q is whole, and cannot be parsed: %v", a.Raw, err)
			}
		}
		if got := fmt.Sprint(b.whats()); strings.Contains(got, "Testperson") {
			t.Fatal("a notice's words tell of a patient")
		}
	})
}
