package astm_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"tidegate/wire/astm"
)

// side is one end of a line in the test: what is on its way to it, and what
// became of what it sent.
type side struct {
	*astm.Link
	wire     []string // writes of the other side, in order
	queued   []string // messages handed in, in order
	told     int      // how many of them were told of
	assembly astm.Assembly
	kept     []string // pieces that were kept
	timer    bool
}

// talk is two Links on a line that loses and garbles. Nothing on it is ever
// late: a time runs out only while nothing is on its way.
type talk struct {
	t *rapid.T
	a *side // the host
	b *side // the instrument
	// quiet: nothing is lost and everything is kept
	quiet bool
}

func (k *talk) act(s, other *side, acts []astm.Action) {
	for _, a := range acts {
		switch a.Kind {
		case astm.Write:
			k.put(other, string(a.Bytes))
		case astm.Timer:
			s.timer = a.After > 0
		case astm.Begun, astm.Ended:
			s.assembly = astm.Assembly{}
		case astm.Sent:
			// What is told to be sent was kept by the other side.
			require.Contains(k.t, other.kept, s.queued[s.told], "sent, and not kept")
			s.told++
		case astm.Unsent:
			require.False(k.t, k.quiet, "unsent on a good line: %s", a.Why)
			s.told++
		case astm.Deliver:
			pieces, next := s.assembly.Add(a.Bytes, a.Last)
			good := k.quiet || rapid.IntRange(0, 9).Draw(k.t, "kept") > 0
			if good {
				s.assembly = next
				for _, p := range pieces {
					s.kept = append(s.kept, string(p.Raw))
				}
			}
			k.act(s, other, s.Verdict(good))
			return // nothing follows a Deliver but what stands before it
		}
	}
}

// put brings a write to the line: whole, garbled in one byte, or not at all.
func (k *talk) put(to *side, b string) {
	if !k.quiet {
		switch rapid.IntRange(0, 19).Draw(k.t, "fate") {
		case 0:
			return
		case 1:
			n := rapid.IntRange(0, len(b)-1).Draw(k.t, "byte")
			if b == ack && rapid.Bool().Draw(k.t, "turned") {
				b = nak // the worst that a line can make of it
			} else {
				b = b[:n] + "?" + b[n+1:]
			}
		}
	}
	to.wire = append(to.wire, b)
}

func (k *talk) step(s, other *side) bool {
	switch {
	case len(s.wire) > 0:
		b := s.wire[0]
		s.wire = s.wire[1:]
		if n := rapid.IntRange(0, len(b)).Draw(k.t, "cut"); n > 0 && n < len(b) {
			s.wire = append([]string{b[n:]}, s.wire...)
			b = b[:n]
		}
		k.act(s, other, s.Receive([]byte(b)))
	case len(other.wire) == 0 && s.timer:
		s.timer = false
		k.act(s, other, s.Expire())
	default:
		return false
	}
	return true
}

func (k *talk) send(s, other *side, n int) {
	m := fmt.Sprintf("H|\\^&|%s-%d\rC|1|I|%s|G\rL|1|N\r", map[bool]string{true: "host", false: "meter"}[s == k.a], n, strings.Repeat("x", n*97%400))
	s.queued = append(s.queued, m)
	k.act(s, other, s.Send([]byte(m)))
}

// Two sides that follow the protocol, on a line that loses and garbles, with a
// store that refuses now and then: what a sender is told to be sent was kept,
// and once the line is good everything comes through.
func TestConversations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		wrap := rapid.Bool().Draw(t, "wrap to one")
		k := &talk{t: t}
		k.a = &side{Link: astm.NewLink(astm.Settings{WrapToOne: wrap})}
		k.b = &side{Link: astm.NewLink(astm.Settings{WrapToOne: wrap, Role: astm.Instrument, SendText: 20})}
		n := 0
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				n++
				k.send(k.a, k.b, n)
			case 1, 2:
				n++
				k.send(k.b, k.a, n)
			case 3, 4, 5:
				k.step(k.a, k.b)
			default:
				k.step(k.b, k.a)
			}
		}
		k.settle()
		k.quiet = true
		k.send(k.a, k.b, n+1)
		k.send(k.b, k.a, n+2)
		k.settle()
		for _, s := range []*side{k.a, k.b} {
			require.True(t, s.Idle())
			require.Equal(t, len(s.queued), s.told, "each message was told of")
		}
		require.Contains(t, k.b.kept, k.a.queued[len(k.a.queued)-1])
		require.Contains(t, k.a.kept, k.b.queued[len(k.b.queued)-1])
	})
}

// settle goes on until nothing is on its way and no time runs.
func (k *talk) settle() {
	for range 200_000 {
		if !k.step(k.a, k.b) && !k.step(k.b, k.a) {
			return
		}
	}
	k.t.Fatal("the two talk for ever")
}
