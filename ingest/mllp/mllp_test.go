package mllp

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/wire/hl7"
)

// box is an inbox in memory. fail, if set, decides each Accept before it is
// stored; it may block or panic.
type box struct {
	mu       sync.Mutex
	arrivals []poct.Arrival
	notices  []poct.Notice
	resends  int
	fail     func(poct.Arrival) error
	noticed  chan poct.Notice
}

func newBox() *box { return &box{noticed: make(chan poct.Notice, 1000)} }

func (b *box) Accept(_ context.Context, a poct.Arrival) (poct.Accepted, error) {
	if b.fail != nil {
		if err := b.fail(a); err != nil {
			return poct.Accepted{}, err
		}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, old := range b.arrivals {
		if old.Digest == a.Digest && old.Source == a.Source {
			b.resends++
			return poct.Accepted{Arrival: old.ID, Resent: true}, nil
		}
	}
	a.ID = string(rune('a' + len(b.arrivals)))
	b.arrivals = append(b.arrivals, a)
	return poct.Accepted{Arrival: a.ID}, nil
}

func (b *box) Notice(_ context.Context, n poct.Notice) error {
	b.mu.Lock()
	b.notices = append(b.notices, n)
	b.mu.Unlock()
	b.noticed <- n
	return nil
}

func (b *box) stored() []poct.Arrival {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]poct.Arrival(nil), b.arrivals...)
}

// serve runs an inlet until the test ends, and returns it.
func serve(t *testing.T, cfg Config, b *box, log io.Writer) *Listener {
	t.Helper()
	if cfg.Listen == "" {
		cfg.Listen = "127.0.0.1:0"
	}
	l, err := New(cfg, Settings{ID: "millrace", Inbox: b, Log: zerolog.New(zerolog.SyncWriter(log))})
	require.NoError(t, err)
	require.NoError(t, l.Listen())
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error)
	go func() { done <- l.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		require.NoError(t, <-done)
	})
	return l
}

// meter is a sender of our own, by hand.
type meter struct {
	t    *testing.T
	conn net.Conn
	in   *hl7.FrameReader
}

func dial(t *testing.T, l *Listener) *meter {
	t.Helper()
	conn, err := net.Dial("tcp", l.Addr())
	require.NoError(t, err)
	return newMeter(t, conn)
}

func newMeter(t *testing.T, conn net.Conn) *meter {
	t.Cleanup(func() { _ = conn.Close() })
	_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
	return &meter{t: t, conn: conn, in: hl7.NewFrameReader(conn, 1<<20)}
}

func (m *meter) write(raw string) {
	m.t.Helper()
	_, err := m.conn.Write([]byte(raw))
	require.NoError(m.t, err)
}

func (m *meter) send(message string) { m.t.Helper(); m.write(frame(message)) }

func (m *meter) ack() *hl7.Message {
	m.t.Helper()
	raw, err := m.in.Next()
	require.NoError(m.t, err, "an answer was expected")
	ack, err := hl7.Parse(raw)
	require.NoError(m.t, err)
	return ack
}

// code reads an answer: "AA 17".
func (m *meter) code() string {
	m.t.Helper()
	a := m.ack()
	return strings.TrimSpace(a.Get("MSA-1").Text() + " " + a.Get("MSA-2").Text())
}

// ended checks that the inlet closes without another answer.
func (m *meter) ended() {
	m.t.Helper()
	raw, err := m.in.Next()
	require.Error(m.t, err, "no answer was expected, got %q", raw)
	var timeout net.Error
	require.False(m.t, errors.As(err, &timeout) && timeout.Timeout(), "the connection stayed open")
}

func frame(message string) string { return string(hl7.AppendFrame(nil, []byte(message))) }

// oru is an invented result by control id, type and value.
func oru(id, kind, value string) string {
	return `MSH|^~\&|QUILL3|MILLRACE|||20240305091330+0100||` + kind + "|" + id + "|P|2.5.1\r" +
		"PID|1||MRN0007^^^MILLRACE^MR||Testperson^Ada||19500101|F\rOBR|1||17|34714-6^INR^LN\rOBX|1|NM|34714-6^INR^LN||" + value + "|{INR}|||||F\r"
}

func r01(id, value string) string { return oru(id, "ORU^R01^ORU_R01", value) }

func TestAnswers(t *testing.T) {
	for _, c := range []struct {
		name, message string
		answers       []string // MSA-1 and 2, ERR-3.1
		stored        int
		fault         string // part of Arrival.Fault, "" for none
	}{
		{"R01", r01("1", "2.4"), []string{"AA 1"}, 1, ""},
		{"R30", oru("2", "ORU^R30^ORU_R30", "2.4"), []string{"AA 2"}, 1, ""},
		{"R31", oru("3", "ORU^R31^ORU_R30", "2.4"), []string{"AA 3"}, 1, ""},
		{"R32", oru("4", "ORU^R32^ORU_R30", "2.4"), []string{"AA 4"}, 1, ""},
		{"no event, as in version 2.1", oru("5", "ORU", "2.4"), []string{"AA 5"}, 1, ""},
		{"no control id", r01("", "2.4"), []string{"AA"}, 1, ""},
		{"lines ended by LF", strings.ReplaceAll(r01("6", "2.4"), "\r", "\n"), []string{"AA 6"}, 1, ""},
		{"another event", oru("7", "ORU^W01", "2.4"), []string{"AR 7 201"}, 1, "MSH-9.2"},
		{"another type", oru("8", "ADT^A04^ADT_A01", "2.4"), []string{"AR 8 200"}, 1, "MSH-9.1"},
		{"no type", oru("9", "", "2.4"), []string{"AR 9 101"}, 1, "MSH-9"},
		{"garbage", "hello, world", []string{"AR 100"}, 1, "MSH"},
		{"no encoding characters", "MSH||QUILL3|MILLRACE|||20240305||ORU^R01|10|P|2.5.1\r", []string{"AR 10 101"}, 1, "MSH-2"},
		{"text after a CR", r01("11", "2.4") + "and more\r", []string{"AR 11 100"}, 1, "segment id"},
		{"enhanced: accept", strings.Replace(r01("12", "2.4"), "|2.5.1\r", "|2.5.1|||AL|NE\r", 1), []string{"CA 12"}, 1, ""},
		{"enhanced: both", strings.Replace(r01("13", "2.4"), "|2.5.1\r", "|2.5.1|||AL|AL\r", 1), []string{"CA 13", "AA 13"}, 1, ""},
		{"enhanced: refused", strings.Replace(oru("14", "ADT^A04", "2.4"), "|2.5.1\r", "|2.5.1|||AL|NE\r", 1), []string{"CR 14 200"}, 1, "MSH-9.1"},
		{"enhanced: none wanted", strings.Replace(r01("15", "2.4"), "|2.5.1\r", "|2.5.1|||NE|NE\r", 1), nil, 1, ""},
		{"an acknowledgement", "MSH|^~\\&|||||20240305||ACK^R01^ACK|16|P|2.5.1|||AL|AL\rMSA|AA|1\r", nil, 0, ""},
		{"commit block of release 2", "\x06", nil, 0, ""},
		{"refusal block of release 2", "\x15", nil, 0, ""},
		{"empty", "", nil, 0, ""},
		{"before 2.5", strings.Replace(oru("18", "ADT^A04", "2.4"), "|2.5.1\r", "|2.3\r", 1), []string{"AR 18"}, 1, "MSH-9.1"},
		{"empty batch", "BHS|^~\\&|\rBTS|0\r", []string{"AR 100"}, 1, "MSH"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBox()
			l := serve(t, Config{}, b, io.Discard)
			m := dial(t, l)
			m.send(c.message)
			m.send(r01("last", "9.9")) // so that the absence of an answer shows
			var got []string
			for {
				a := m.ack()
				if a.Get("MSA-2").Text() == "last" {
					break
				}
				got = append(got, strings.Join(strings.Fields(a.Get("MSA-1").Text()+" "+a.Get("MSA-2").Text()+" "+a.Get("ERR-3.1").Text()), " "))
				assert.NotEmpty(t, a.Get("MSH-10").Text())
				assert.LessOrEqual(t, len(a.Get("MSH-10").Text()), 20, "HL7 2.5.1 MSH-10")
			}
			assert.Equal(t, c.answers, got)
			stored := b.stored()
			require.Len(t, stored, c.stored+1)
			if c.stored == 0 {
				return
			}
			a := stored[0]
			assert.Equal(t, c.message, string(a.Raw))
			assert.Equal(t, sha256.Sum256([]byte(c.message)), a.Digest)
			assert.Equal(t, "millrace", a.Inlet)
			assert.Equal(t, "millrace", a.Source)
			assert.Equal(t, "hl7v2", a.Format)
			assert.Equal(t, m.conn.LocalAddr().String(), a.Peer)
			assert.Nil(t, a.Batch)
			assert.Zero(t, a.Position)
			assert.False(t, a.Received.IsZero())
			if c.fault == "" {
				assert.Empty(t, a.Fault)
			} else {
				assert.Contains(t, a.Fault, c.fault)
			}
		})
	}
}

func TestControlIDsOfAnswersDiffer(t *testing.T) {
	l := serve(t, Config{}, newBox(), io.Discard)
	m, seen := dial(t, l), map[string]bool{}
	for range 200 {
		m.send(r01("1", "2.4"))
		seen[m.ack().Get("MSH-10").Text()] = true
	}
	assert.Len(t, seen, 200)
}

// The positive answer comes after the store has it.
func TestStoredBeforeAnswered(t *testing.T) {
	b := newBox()
	reached, release := make(chan string), make(chan struct{})
	b.fail = func(a poct.Arrival) error {
		reached <- a.ControlID
		<-release
		return nil
	}
	l := serve(t, Config{}, b, io.Discard)
	m := dial(t, l)
	m.send(r01("1", "2.4"))
	assert.Equal(t, "1", <-reached)
	answered := make(chan int)
	go func() { m.ack(); answered <- len(b.stored()) }()
	select {
	case <-answered:
		t.Fatal("answered while Accept had not returned")
	default:
	}
	close(release)
	assert.Equal(t, 1, <-answered, "stored when the answer came")
}

func TestStoreDown(t *testing.T) {
	b := newBox()
	down := true
	b.fail = func(poct.Arrival) error {
		if down {
			return errors.New("disk on fire: Testperson")
		}
		return nil
	}
	var log bytes.Buffer
	l := serve(t, Config{}, b, &log)
	m := dial(t, l)
	m.send(r01("1", "2.4"))
	a := m.ack()
	assert.Equal(t, "AE", a.Get("MSA-1").Text())
	assert.Equal(t, "207", a.Get("ERR-3.1").Text())
	assert.True(t, a.Get("ERR-8").Absent(), "no detail of our failure")
	assert.NotContains(t, string(a.Raw()), "fire")
	m.send(strings.Replace(oru("2", "ADT^A04", "2.4"), "|2.5.1\r", "|2.5.1|||AL\r", 1))
	assert.Equal(t, "CE 2", m.code(), "not CR: it was not stored")
	assert.Empty(t, b.stored())
	down = false
	m.send(r01("1", "2.4"))
	assert.Equal(t, "AA 1", m.code())
	assert.Len(t, b.stored(), 1)
}

func TestResendIsAnsweredAgain(t *testing.T) {
	b := newBox()
	l := serve(t, Config{}, b, io.Discard)
	m := dial(t, l)
	for range 3 {
		m.send(r01("1", "2.4"))
		assert.Equal(t, "AA 1", m.code())
	}
	other := dial(t, l)
	other.send(r01("1", "2.4"))
	assert.Equal(t, "AA 1", other.code())
	assert.Len(t, b.stored(), 1)
	assert.Equal(t, 3, b.resends)
}

// A meter whose control ids repeat or are missing: its second answer to one
// message must not come where it waits for the answer to the next.
func TestRepeatsOfSendersWhoseIDsDoNotTell(t *testing.T) {
	t.Run("missing", func(t *testing.T) {
		b := newBox()
		l := serve(t, Config{}, b, io.Discard)
		m := dial(t, l)
		m.send(r01("", "2.4"))
		assert.Equal(t, "AA", m.code())
		m.send(r01("", "2.5"))
		assert.Equal(t, "AA", m.code())
		m.send(r01("", "2.4") /* timed out, sent again */)
		m.ended()
		again := dial(t, l)
		again.send(r01("", "2.4"))
		assert.Equal(t, "AA", again.code(), "a new connection has no late answers")
		assert.Len(t, b.stored(), 2)
		assert.Equal(t, 2, b.resends, "the repeat was counted though not answered")
	})
	t.Run("constant", func(t *testing.T) {
		b := newBox()
		l := serve(t, Config{}, b, io.Discard)
		m := dial(t, l)
		m.send(r01("1", "2.4"))
		assert.Equal(t, "AA 1", m.code())
		m.send(r01("1", "2.5"))
		assert.Equal(t, "AA 1", m.code())
		assert.Contains(t, (<-b.noticed).What, "one control id")
		m.send(r01("1", "2.5"))
		m.ended()
		again := dial(t, l)
		again.send(r01("1", "2.5"))
		assert.Equal(t, "AA 1", again.code())
		again.send(r01("1", "2.5"))
		again.ended() // known by now, though this connection saw one message only
		assert.Len(t, b.stored(), 2)
		assert.Len(t, b.notices, 1, "told once")
	})
	t.Run("late answer", func(t *testing.T) {
		// The store is slow, the meter gives up waiting and sends again: one answer, then the end.
		b := newBox()
		reached, release := make(chan struct{}, 2), make(chan struct{})
		b.fail = func(poct.Arrival) error { reached <- struct{}{}; <-release; return nil }
		l := serve(t, Config{}, b, io.Discard)
		m := dial(t, l)
		m.send(r01("", "2.4"))
		<-reached
		m.send(r01("", "2.4"))
		close(release)
		assert.Equal(t, "AA", m.code())
		m.ended()
	})
}

func TestRepeatsMemoryIsBounded(t *testing.T) {
	var r repeats
	digest := func(n int) [32]byte { return sha256.Sum256([]byte{byte(n), byte(n >> 8)}) }
	for n := range 5000 {
		repeat, reused := r.note(string(rune(n+0x4e00)), digest(n))
		require.False(t, repeat || reused)
		require.LessOrEqual(t, len(r.recent.answered)+len(r.older.answered), 2*remembered)
		if n >= remembered {
			repeat, _ = r.note(string(rune(n+0x4e00)), digest(n))
			require.True(t, repeat)
		}
	}
	_, reused := r.note(string(rune(4999+0x4e00)), digest(1))
	assert.True(t, reused)
}

func TestBatch(t *testing.T) {
	one, two, bad, three := r01("1", "2.4"), r01("2", "2.5"), "MSH|^~\\&|QUILL3||||||ORU^R01|3|P|2.5.1\rbroken line\r", r01("4", "2.6")
	batch := "FHS|^~\\&|QUILL3\rBHS|^~\\&|QUILL3\r" + one + two + bad + three + "BTS|4\rFTS|1\r"
	b := newBox()
	l := serve(t, Config{}, b, io.Discard)
	m := dial(t, l)
	m.send(batch)
	assert.Equal(t, []string{"AA 1", "AA 2", "AR 3", "AA 4"}, []string{m.code(), m.code(), m.code(), m.code()})
	stored := b.stored()
	require.Len(t, stored, 4)
	for i, want := range []string{one, two, bad, three} {
		assert.Equal(t, want, string(stored[i].Raw))
		assert.Equal(t, i+1, stored[i].Position)
		assert.Equal(t, batch, string(stored[i].Batch))
		assert.Equal(t, sha256.Sum256([]byte(want)), stored[i].Digest)
		assert.Equal(t, i == 2, stored[i].Fault != "")
	}
	assert.Empty(t, b.notices)

	m.send(one) // out of a batch it is the same message
	assert.Equal(t, "AA 1", m.code())
	m.send("BHS|^~\\&|QUILL3\r" + two + "BTS|2\r")
	assert.Equal(t, "AA 2", m.code())
	assert.Len(t, b.stored(), 4)
	assert.Equal(t, 2, b.resends)
	assert.Contains(t, (<-b.noticed).What, "it counts 2 messages, and there are 1")
}

func TestSeveralFramesInOneWrite(t *testing.T) {
	b := newBox()
	l := serve(t, Config{}, b, io.Discard)
	m := dial(t, l)
	var all strings.Builder
	var want []string
	for _, id := range strings.Split("1 2 3 4 5 6 7 8 9", " ") {
		all.WriteString(frame(r01(id, "2."+id)) + "\r\n")
		want = append(want, "AA "+id)
	}
	m.write(all.String())
	var got []string
	for range want {
		got = append(got, m.code())
	}
	assert.Equal(t, want, got)
	for i, a := range b.stored() {
		assert.Equal(t, want[i], "AA "+a.ControlID, "stored in order")
	}
}

func TestOneByteAtATime(t *testing.T) {
	b := newBox()
	m := dial(t, serve(t, Config{}, b, io.Discard))
	for _, c := range []byte("noise" + frame(r01("1", "2.4"))) {
		m.write(string([]byte{c}))
	}
	assert.Equal(t, "AA 1", m.code())
	assert.Contains(t, (<-b.noticed).What, "5 bytes outside any frame")
}

func TestBrokenFrames(t *testing.T) {
	whole := frame(r01("1", "2.4"))
	half := whole[:len(whole)/2]
	for _, c := range []struct {
		name, bytes string
		answers     []string
		closes      bool
		notice      string
		kept        string // bytes of the notice
	}{
		{"cut off by another frame", half + whole, []string{"AA 1"}, false, "cut off by the start of another", half[1:]},
		{"end in the middle", half, nil, true, "the connection ended", half[1:]},
		{"too long", "\x0b" + strings.Repeat("x", 3000), nil, true, "more than the 2000 bytes allowed", strings.Repeat("x", 2001)},
		{"garbage for ever", strings.Repeat("y", 9000), nil, true, "bytes outside any frame", ""},
		{"garbage, then a message", "GET / HTTP/1.1\r\n\r\n" + whole, []string{"AA 1"}, false, "18 bytes outside any frame", "GET / HTTP/1.1\r\n\r\n"},
		{"end bytes alone, then a message", "\x1c\r" + whole, []string{"AA 1"}, false, "2 bytes outside any frame", "\x1c\r"},
		{"empty frame, then a message", "\x0b\x1c\r" + whole, []string{"AA 1"}, false, "an empty frame", ""},
		{"1C without 0D", whole[:len(whole)-1] + whole, []string{"AA 1", "AA 1"}, false, "", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBox()
			m := dial(t, serve(t, Config{MaxFrame: 2000}, b, io.Discard))
			_, _ = m.conn.Write([]byte(c.bytes)) // may be refused half way
			if c.closes {
				_ = m.conn.(*net.TCPConn).CloseWrite()
			}
			for _, want := range c.answers {
				assert.Equal(t, want, m.code())
			}
			if c.closes {
				m.ended()
				assert.Empty(t, b.stored())
			}
			if c.notice != "" {
				n := <-b.noticed
				assert.Contains(t, n.What, c.notice)
				assert.Equal(t, "millrace", n.Inlet)
				assert.Equal(t, m.conn.LocalAddr().String(), n.Peer)
				if c.kept != "" {
					assert.Equal(t, c.kept, string(n.Bytes))
				}
			}
			next := dial(t, l2(t, b))
			next.send(r01("next", "3.0"))
			assert.Equal(t, "AA next", next.code())
		})
	}
}

// l2 is another inlet on the same inbox.
func l2(t *testing.T, b *box) *Listener { return serve(t, Config{}, b, io.Discard) }

func TestPanicCostsOneSession(t *testing.T) {
	b := newBox()
	b.fail = func(a poct.Arrival) error {
		if a.ControlID == "boom" {
			panic(errors.New("Testperson"))
		}
		return nil
	}
	var log bytes.Buffer
	l := serve(t, Config{}, b, &log)
	m, other := dial(t, l), dial(t, l)
	m.send(r01("boom", "2.4"))
	m.ended()
	other.send(r01("2", "2.4"))
	assert.Equal(t, "AA 2", other.code())
	assert.Len(t, b.stored(), 1)
}

func TestConnectionsAreLimited(t *testing.T) {
	b := newBox()
	l := serve(t, Config{MaxConnections: 2}, b, io.Discard)
	one, two := dial(t, l), dial(t, l)
	for i, m := range []*meter{one, two} { // so that both are taken before the third comes
		m.send(r01([]string{"1", "2"}[i], "2.4"))
		m.ack()
	}
	for range 3 {
		dial(t, l).ended()
	}
	assert.Contains(t, (<-b.noticed).What, "all 2 are in use")
	one.send(r01("3", "2.5"))
	assert.Equal(t, "AA 3", one.code(), "those inside are served")
	assert.Empty(t, b.noticed, "told once")
}

// Names, identifiers, dates and values that go through every path must show
// neither in logs nor in answers nor in the words of notices.
func TestQuietAboutPatients(t *testing.T) {
	var log bytes.Buffer
	b := newBox()
	b.fail = func(a poct.Arrival) error {
		if a.ControlID == "down" {
			return errors.New("store down")
		}
		if a.ControlID == "boom" {
			panic("Testperson MRN0007")
		}
		return nil
	}
	var answers bytes.Buffer
	t.Run("all paths", func(t *testing.T) {
		l := serve(t, Config{MaxFrame: 2000}, b, &log)
		for _, in := range []string{
			frame(r01("1", "77.7")), frame(r01("down", "77.7")), frame(r01("boom", "77.7")), frame(oru("x", "ADT^A01", "77.7")),
			frame(r01("1", "77.7") + "Testperson 77.7\r"), frame("Testperson MRN0007 77.7"), frame(strings.Replace(r01("1", "77.7"), "^~\\&", "Testperson", 1)),
			"Testperson MRN0007 77.7" + frame(r01("2", "77.7")), frame(r01("3", "77.7"))[:200], "\x0b" + strings.Repeat("Testperson 77.7", 300),
			frame("BHS|^~\\&\rTestperson\r" + r01("4", "77.7") + "BTS|Testperson\r"),
			frame(r01("5", "77.7")) + frame(r01("5", "77.8")) + frame(r01("5", "77.8")),
		} {
			conn, err := net.Dial("tcp", l.Addr())
			require.NoError(t, err)
			_, _ = conn.Write([]byte(in))
			_ = conn.(*net.TCPConn).CloseWrite()
			_, _ = io.Copy(&answers, conn)
			_ = conn.Close()
		}
	})
	require.NotZero(t, answers.Len())
	require.NotZero(t, log.Len())
	words := log.String() + answers.String()
	for _, n := range b.notices {
		words += n.What
	}
	for _, a := range b.arrivals {
		words += a.Fault
	}
	for _, secret := range []string{"Testperson", "MRN0007", "19500101", "77.7", "77.8", "Ada"} {
		assert.NotContains(t, words, secret)
	}
}

// Some senders acknowledge each acknowledgement (npm hl7v2-net 1.9.0 does).
func TestAcknowledgementsAreNotedOnce(t *testing.T) {
	b := newBox()
	m := dial(t, serve(t, Config{}, b, io.Discard))
	for range 3 {
		m.send("MSH|^~\\&|||||20240305||ACK^R01|1|P|2.5.1\rMSA|AA|x\r")
	}
	m.send(r01("1", "2.4"))
	assert.Equal(t, "AA 1", m.code())
	assert.Len(t, b.notices, 1)
	assert.Len(t, b.stored(), 1)
}
