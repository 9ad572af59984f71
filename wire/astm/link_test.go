package astm_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/wire/astm"
)

const (
	enq = "\x05"
	ack = "\x06"
	nak = "\x15"
	eot = "\x04"
)

// frame is one that goes over the line whole.
func frame(n int, text string) string {
	return string(astm.Frame{Number: n, Text: []byte(text), Last: true}.AppendTo(nil))
}

// part is one that is continued.
func part(n int, text string) string {
	return string(astm.Frame{Number: n, Text: []byte(text)}.AppendTo(nil))
}

var ends = map[astm.End]string{
	astm.EndPlain: "plain", astm.EndGivenUp: "given up", astm.EndSilence: "silence", astm.EndAnew: "anew", astm.EndLost: "lost",
}

// tell writes actions as words, for tables.
func tell(acts []astm.Action) string {
	var out []string
	for _, a := range acts {
		switch a.Kind {
		case astm.Write:
			out = append(out, "write "+name(a.Bytes))
		case astm.Timer:
			out = append(out, fmt.Sprintf("timer %s", a.After))
		case astm.Begun:
			out = append(out, "begun")
		case astm.Deliver:
			out = append(out, fmt.Sprintf("deliver %q %t", a.Bytes, a.Last))
		case astm.Refused:
			out = append(out, "refused: "+a.Why)
		case astm.Ended:
			out = append(out, "ended "+ends[a.End])
		case astm.Junk:
			out = append(out, fmt.Sprintf("junk %q", a.Bytes))
		case astm.Sent:
			out = append(out, "sent")
		case astm.Unsent:
			out = append(out, "unsent: "+a.Why)
		}
	}
	return strings.Join(out, "; ")
}

func name(b []byte) string {
	if n, ok := map[string]string{enq: "ENQ", ack: "ACK", nak: "NAK", eot: "EOT"}[string(b)]; ok {
		return n
	}
	if f, err := astm.ParseFrame(b); err == nil {
		return fmt.Sprintf("frame %d %q", f.Number, f.Text)
	}
	return fmt.Sprintf("%q", b)
}

// step is one thing that happens on the line, and what has to come of it.
type step struct {
	in   string // bytes; or one of the words below
	want string
}

const (
	keep    = "(kept)"
	refuse  = "(not kept)"
	late    = "(too late)"
	expired = "(time)"
	lost    = "(lost)"
	send    = "(send)" // the text behind it
)

func play(t *testing.T, l *astm.Link, steps []step) {
	t.Helper()
	for i, s := range steps {
		var got []astm.Action
		switch {
		case s.in == keep, s.in == refuse:
			got = l.Verdict(s.in == keep)
		case s.in == late:
			got = l.Abandon()
		case s.in == expired:
			got = l.Expire()
		case s.in == lost:
			got = l.Lose()
		case strings.HasPrefix(s.in, send):
			got = l.Send([]byte(strings.TrimPrefix(s.in, send)))
		default:
			got = l.Receive([]byte(s.in))
		}
		require.Equal(t, s.want, tell(got), "step %d: %q", i, s.in)
	}
}

// The receiver's side of LIS01: times and numbers as the defaults are.
func TestReceiver(t *testing.T) {
	bad := strings.Replace(frame(1, "H\r"), "H", "I", 1)
	begun := step{enq, "begun; write ACK; timer 30s"}
	first := []step{begun, {frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {keep, "write ACK; timer 30s"}}
	for _, c := range []struct {
		name  string
		set   astm.Settings
		steps []step
	}{
		{"a message", astm.Settings{}, append(first,
			step{part(2, "P|1"), `timer 0s; deliver "P|1" false`}, step{keep, "write ACK; timer 30s"},
			step{frame(3, "|2\r"), `timer 0s; deliver "|2\r" true`}, step{keep, "write ACK; timer 30s"},
			step{eot, "ended plain; timer 0s"})},
		{"a frame comes byte by byte", astm.Settings{}, []step{begun, {frame(1, "H\r")[:4], ""}, {frame(1, "H\r")[4:6], ""}, {frame(1, "H\r")[6:], `timer 0s; deliver "H\r" true`}}},
		{"not kept, sent again, kept", astm.Settings{}, []step{begun,
			{frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {refuse, "write NAK; timer 30s"},
			{frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {keep, "write ACK; timer 30s"}, {eot, "ended plain; timer 0s"}}},
		{"never kept", astm.Settings{}, []step{begun,
			{frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {refuse, "write NAK; timer 30s"}, {eot, "ended given up; timer 0s"}}},
		{"a resend of the last frame is answered and not delivered", astm.Settings{}, append(first, step{frame(1, "H\r"), "write ACK; timer 30s"}, step{eot, "ended plain; timer 0s"})},
		{"a number that is not due", astm.Settings{}, append(first, step{frame(3, "P\r"), "refused: the frame has another number than the one to come; write NAK; timer 30s"})},
		{"the first is not 1", astm.Settings{}, []step{begun, {frame(0, "H\r"), "refused: the frame has another number than the one to come; write NAK; timer 30s"}}},
		{"a wrong checksum", astm.Settings{}, []step{begun, {bad, "refused: the frame's checksum is 89, its bytes add up to 8A; write NAK; timer 30s"}, {eot, "ended given up; timer 0s"}}},
		{"nothing was sent", astm.Settings{}, []step{begun, {eot, "ended given up; timer 0s"}}},
		{"silence", astm.Settings{FrameTime: time.Minute}, []step{{enq, "begun; write ACK; timer 1m0s"}, {"\x021H", ""}, {expired, "ended silence; timer 0s"}, {frame(1, "H\r"), `junk "\x021H\x0389"`}}},
		{"the answer to ENQ was lost", astm.Settings{}, []step{begun, {enq, "write ACK; timer 30s"}}},
		{"begun anew", astm.Settings{}, append(first, step{enq, "ended anew; begun; write ACK; timer 30s"}, first[1])},
		{"given up within a frame", astm.Settings{}, append(first, step{"\x022P|", ""}, step{eot, "ended given up; timer 0s"})},
		{"begun anew within a frame", astm.Settings{}, append(first, step{"\x022P|" + enq, "ended anew; begun; write ACK; timer 30s"})},
		{"the end of a frame was lost", astm.Settings{}, []step{begun, {frame(1, "H\r")[:6], ""}, {frame(1, "H\r"), `timer 0s; deliver "H\r" true`}}},
		{"bytes between frames", astm.Settings{}, append(first, step{"\r\nxy" + frame(2, "P\r"), `junk "xy"; timer 0s; deliver "P\r" true`})},
		{"bytes on a line at rest", astm.Settings{}, []step{{"GET / HTTP/1.1\r\n" + ack + nak + eot, `junk "GET / HTTP/1.1"`}}},
		{"too long a frame", astm.Settings{MaxText: 4}, []step{begun, {frame(1, "12345"), `refused: a frame holds more than the bytes allowed; write NAK; timer 30s; junk "\x03` + frame(1, "12345")[8:10] + `"`},
			{frame(1, "1234"), `timer 0s; deliver "1234" true`}}},
		{"control characters, as a rule taken", astm.Settings{}, []step{begun, {frame(1, "a\nb\r"), `timer 0s; deliver "a\nb\r" true`}}},
		{"control characters, refused", astm.Settings{RefuseControls: true}, []step{begun, {frame(1, "a\nb\r"), "refused: the frame's text holds control characters that LIS01 bars; write NAK; timer 30s"}}},
		{"the line is lost", astm.Settings{}, append(first, step{lost, "ended lost; timer 0s"}, step{lost, ""})},
		{"the line is lost while a verdict is due", astm.Settings{}, []step{begun, {frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {lost, "ended lost; timer 0s"}, {keep, ""}}},
		{"all at once, by a sender that waits for nothing", astm.Settings{}, []step{
			{enq + frame(1, "H\r") + frame(2, "L\r") + eot, `begun; write ACK; timer 30s; timer 0s; deliver "H\r" true`},
			{keep, `write ACK; timer 30s; timer 0s; deliver "L\r" true`}, {keep, "timer 30s; ended given up; timer 0s"}}},
		{"the sender waits no longer when the verdict comes", astm.Settings{}, []step{begun,
			{frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {eot + enq, ""}, {keep, "timer 30s; ended given up; timer 0s; begun; write ACK; timer 30s"}}},
		{"a sender that asked twice is answered once", astm.Settings{}, []step{{enq + eot + enq, "begun; timer 30s; ended given up; timer 0s; begun; write ACK; timer 30s"}}},
		{"the verdict comes too late", astm.Settings{}, []step{begun, {frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {late, "ended given up"}, {eot, ""}, begun}},
	} {
		t.Run(c.name, func(t *testing.T) { play(t, astm.NewLink(c.set), c.steps) })
	}
}

// Frame 0 follows 7 (python-astm), or 1 does (notes of a simulator): a setting.
func TestNumbersWrap(t *testing.T) {
	for _, c := range []struct {
		toOne  bool
		eighth int
	}{{false, 0}, {true, 1}} {
		l := astm.NewLink(astm.Settings{WrapToOne: c.toOne})
		l.Receive([]byte(enq))
		for n := 1; n <= 7; n++ {
			l.Receive([]byte(frame(n, "C\r")))
			l.Verdict(true)
		}
		play(t, l, []step{
			{frame(1-c.eighth, "C\r"), "refused: the frame has another number than the one to come; write NAK; timer 30s"},
			{frame(c.eighth, "C\r"), `timer 0s; deliver "C\r" true`}, {keep, "write ACK; timer 30s"},
			{frame(c.eighth, "C\r"), "write ACK; timer 30s"},
			{frame(c.eighth+1, "C\r"), `timer 0s; deliver "C\r" true`},
		})
	}
}

// The sender's side. Six tries, 15 s for an answer, 10 s after NAK, and after
// both began 20 s for the host and 1 s for the instrument: from notes of a
// simulator and from memory, so all of them are settings.
func TestSender(t *testing.T) {
	asked := step{send + "P\rL\r", "write ENQ; timer 15s"}
	began := []step{asked, {ack, `write frame 1 "P\r"; timer 15s`}}
	for _, c := range []struct {
		name  string
		set   astm.Settings
		steps []step
	}{
		{"a message", astm.Settings{}, append(began, step{ack, `write frame 2 "L\r"; timer 15s`}, step{ack, "write EOT; timer 0s; sent"})},
		{"nothing to send", astm.Settings{}, []step{{send, ""}}},
		{"a refused frame is sent again", astm.Settings{}, append(began, step{nak, `write frame 1 "P\r"; timer 15s`}, step{ack, `write frame 2 "L\r"; timer 15s`})},
		{"six times refused", astm.Settings{}, append(began,
			step{nak, `write frame 1 "P\r"; timer 15s`}, step{nak, `write frame 1 "P\r"; timer 15s`}, step{nak, `write frame 1 "P\r"; timer 15s`},
			step{nak, `write frame 1 "P\r"; timer 15s`}, step{nak, `write frame 1 "P\r"; timer 15s`},
			step{nak, "write EOT; timer 0s; unsent: the other side refused a frame each time"})},
		{"no answer to ENQ", astm.Settings{ReplyTime: time.Second}, []step{{send + "P\r", "write ENQ; timer 1s"}, {expired, "write EOT; timer 0s; unsent: the other side did not answer"}}},
		{"no answer to a frame", astm.Settings{}, append(began, step{expired, "write EOT; timer 0s; unsent: the other side did not answer"})},
		{"busy", astm.Settings{}, []step{asked, {nak, "timer 10s"}, {expired, "write ENQ; timer 15s"}, {ack, `write frame 1 "P\r"; timer 15s`}}},
		{"always busy", astm.Settings{Tries: 2}, []step{asked, {nak, "timer 10s"}, {expired, "write ENQ; timer 15s"}, {nak, "write EOT; timer 0s; unsent: the other side does not take anything"}}},
		{"both begin: the host gives way", astm.Settings{}, []step{asked, {enq, "timer 20s"}, {enq, "begun; write ACK; timer 30s"},
			{frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {keep, "write ACK; timer 30s"}, {eot, "ended plain; timer 0s; write ENQ; timer 15s"}, {ack, `write frame 1 "P\r"; timer 15s`}}},
		{"both begin: the instrument begins again", astm.Settings{Role: astm.Instrument}, []step{asked, {enq, "timer 1s"}, {expired, "write ENQ; timer 15s"}, {ack, `write frame 1 "P\r"; timer 15s`}}},
		{"an instrument that does not go on", astm.Settings{}, []step{asked, {enq, "timer 20s"}, {expired, "write ENQ; timer 15s"}}},
		{"asked to stop behind the last frame", astm.Settings{}, append(began, step{ack, `write frame 2 "L\r"; timer 15s`}, step{eot, "write EOT; timer 0s; sent"})},
		{"asked to stop before it", astm.Settings{}, append(began, step{eot, "write EOT; timer 0s; unsent: the other side asked to stop"})},
		{"two messages", astm.Settings{}, []step{{send + "P\r", "write ENQ; timer 15s"}, {send + "O\r", ""}, {ack, `write frame 1 "P\r"; timer 15s`},
			{ack, "write EOT; timer 0s; sent; write ENQ; timer 15s"}, {ack, `write frame 1 "O\r"; timer 15s`}}},
		{"while the other side sends", astm.Settings{}, []step{{enq, "begun; write ACK; timer 30s"}, {send + "P\r", ""}, {eot, "ended given up; timer 0s; write ENQ; timer 15s"}}},
		{"the line is lost", astm.Settings{}, append(began, step{lost, "unsent: the line was lost"})},
		{"other bytes are no answer", astm.Settings{}, []step{asked, {"xyz\r\n", ""}, {ack, `write frame 1 "P\r"; timer 15s`}, {"xyz", ""}}},
	} {
		t.Run(c.name, func(t *testing.T) { play(t, astm.NewLink(c.set), c.steps) })
	}
}

// Whatever comes: a verdict is answered by what it was or not at all, a refusal
// by NAK, nobody who has not begun is answered, and afterwards the line takes
// the next message.
func FuzzLink(f *testing.F) {
	f.Add([]byte(enq+frame(1, "H|\\^&\r")+frame(2, "L|1|N\r")+eot), byte(0xFF))
	f.Add([]byte(enq+frame(1, "H\r")+frame(1, "H\r")+part(2, "P")+frame(3, "x\r")+enq+eot), byte(0x55))
	f.Add([]byte(enq+"\x02\x02\x03\x03"+nak+ack+eot), byte(0))
	f.Add([]byte("x"+ack+enq+frame(1, strings.Repeat("y", 80))), byte(1))
	f.Add([]byte(enq+enq+eot+enq+"\x021H\r"+eot), byte(1))
	f.Fuzz(func(t *testing.T, raw []byte, verdicts byte) {
		const most = 64
		l := astm.NewLink(astm.Settings{MaxText: most})
		begun := false
		check := func(acts []astm.Action) (owed bool) {
			for i, a := range acts {
				owed = owed || a.Kind == astm.Deliver
				switch {
				case a.Kind == astm.Begun:
					begun = true
				case a.Kind == astm.Ended:
					begun = false
				case a.Kind == astm.Write && !begun:
					t.Fatalf("%s to nobody", name(a.Bytes))
				case a.Kind == astm.Deliver && len(a.Bytes) > most:
					t.Fatal("a frame longer than the limit")
				case a.Kind == astm.Refused && acts[i+1].Kind == astm.Write && string(acts[i+1].Bytes) != nak:
					t.Fatal("refused, and not answered NAK")
				}
			}
			return owed
		}
		for i := 0; len(raw) > 0; i++ {
			n := min(len(raw), 1+i%7)
			owed := check(l.Receive(raw[:n]))
			for ; owed; i++ {
				kept := verdicts&(1<<(i%8)) != 0
				acts := l.Verdict(kept)
				if acts[0].Kind == astm.Write && (string(acts[0].Bytes) == ack) != kept {
					t.Fatalf("kept %t, answered %s", kept, name(acts[0].Bytes))
				}
				owed = check(acts)
			}
			if owed != l.Owes() {
				t.Fatal("a verdict is owed and no frame was delivered, or the other way round")
			}
			raw = raw[n:]
		}
		l.Lose()
		play(t, l, []step{{enq, "begun; write ACK; timer 30s"}, {frame(1, "H\r"), `timer 0s; deliver "H\r" true`}, {keep, "write ACK; timer 30s"}, {eot, "ended plain; timer 0s"}})
	})
}
