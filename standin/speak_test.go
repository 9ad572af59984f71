package standin

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// Checksums as published by others.
func TestLISFrames(t *testing.T) {
	for _, tt := range []struct{ source, record, want string }{
		{"python-astm, tests of the codec", "A|B|C|D\r", "\x021A|B|C|D\r\x03BF\r\n"},
		{"python-astm, tests of the codec", "foo|1\r", "\x021foo|1\r\x0332\r\n"},
	} {
		frames := lisFrames([]byte(tt.record))
		require.Len(t, frames, 1, tt.source)
		require.Equal(t, tt.want, string(frames[0]), tt.source)
	}
	// Frame numbers go 1 to 7 and on with 0; 240 characters are the most that a
	// frame holds, its end is ETB where the record goes on (CLSI LIS01).
	frames := lisFrames([]byte(strings.Repeat("x\r", 8) + strings.Repeat("y", 250) + "\r"))
	require.Len(t, frames, 10)
	require.Equal(t, "\x027x\r\x03", string(frames[6][:5]))
	require.Equal(t, "\x020x\r\x03", string(frames[7][:5]))
	require.Len(t, frames[8], 247)
	require.Equal(t, byte(etb), frames[8][242])
	for _, f := range frames {
		text, ok := lisTextOf(f[1:])
		require.True(t, ok)
		require.NotEmpty(t, text)
		f[2]++
		_, ok = lisTextOf(f[1:])
		require.False(t, ok, "a changed frame")
	}
}

// host is the other side, by hand.
func host(t *testing.T, serve func(c net.Conn, r *bufio.Reader)) (addr string) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan struct{})
	go func() {
		defer close(done)
		c, err := ln.Accept()
		if err != nil {
			return
		}
		serve(c, bufio.NewReader(c))
		_ = c.Close()
	}()
	t.Cleanup(func() { _ = ln.Close(); <-done })
	return ln.Addr().String()
}

func TestLISSpeakerSendsAgain(t *testing.T) {
	for _, tt := range []struct {
		name    string
		answers string // to ENQ and to each frame
		want    string
		frames  string // numbers of the frames that came, and the end
	}{
		{"taken", "\x06\x06\x06", lisTaken, "12."},
		{"one refused", "\x06\x06\x15\x15\x06", lisTaken, "1222."},
		{"refused six times", "\x06\x06" + strings.Repeat("\x15", 6), lisRefused, "1222222."},
		{"the host asks for a pause", "\x06\x06\x04", lisTaken, "12."},
		{"busy", "\x15", lisBusy, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			came := make(chan string, 1)
			addr := host(t, func(c net.Conn, r *bufio.Reader) {
				got := ""
				defer func() { came <- got }()
				for _, a := range []byte(tt.answers) {
					switch b, err := r.ReadByte(); {
					case err != nil:
						return
					case b == stx:
						frame, _ := r.ReadBytes('\n')
						got += string(frame[0])
					}
					_, _ = c.Write([]byte{a})
				}
				if b, err := r.ReadByte(); err == nil && b == eot {
					got += "."
				}
			})
			s := newLISSpeaker(addr)
			told, err := s.say(t.Context(), []byte("H|x\rL|1|N\r"), plain)
			s.close()
			require.NoError(t, err)
			require.Equal(t, tt.want, told)
			require.Equal(t, tt.frames, <-came)
		})
	}
}

// A meter does what it is told in the middle of handing over what it has.
func TestPOCTSpeakerObeys(t *testing.T) {
	kind := regexp.MustCompile(`<([A-Z]+\.R[0-9]+)>`)
	id := regexp.MustCompile(`control_id V="([^"]+)"/><HDR\.v`)
	all := make(chan []string, 1)
	addr := host(t, func(c net.Conn, r *bufio.Reader) {
		n, came := 0, []string{}
		defer func() { all <- came }()
		say := func(typ, body string) {
			n++
			fmt.Fprintf(c, `<%s><HDR><HDR.control_id V="%d"/></HDR>%s</%s>`, typ, n, body, typ)
		}
		next := func(want string) string {
			text := ""
			for !strings.HasSuffix(text, "</"+want+">") {
				b, err := r.ReadByte()
				if err != nil {
					return ""
				}
				text += string(b)
			}
			came = append(came, kind.FindStringSubmatch(text)[1])
			if m := id.FindStringSubmatch(text); m != nil {
				return m[1]
			}
			return ""
		}
		ackOf := func(what string) {
			say("ACK.R01", `<ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="`+what+`"/></ACK>`)
		}
		ackOf(next("HEL.R01"))
		ackOf(next("DST.R01"))
		say("REQ.R01", `<REQ><REQ.request_cd V="ROBS"/></REQ>`)
		ackOf(next("OBS.R01"))
		ackOf(next("EOT.R01"))
		say("OPL.R01", `<OPR><OPR.operator_id V="118"/></OPR>`)
		next("ACK.R01")
		say("OPL.R01", `<OPR><OPR.operator_id V="121"/></OPR>`)
		next("ACK.R01")
		say("EOT.R01", `<EOT><EOT.topic_cd V="OPL"/></EOT>`)
		say("OPL.R02", `<UPD><UPD.action_cd V="D"/><OPR><OPR.operator_id V="118"/></OPR></UPD><UPD><UPD.action_cd V="I"/><OPR><OPR.operator_id V="124"/></OPR></UPD>`)
		next("ACK.R01")
		say("EOT.R01", `<EOT><EOT.topic_cd V="OPL"/></EOT>`)
		say("DTV.R01", `<DTV><DTV.command_cd V="LOCK"/></DTV>`)
		next("ACK.R01")
		say("END.R01", `<TRM><TRM.reason_cd V="NRM"/></TRM>`)
		next("ACK.R01")
		_, _ = io.Copy(io.Discard, r)
	})
	s := newPOCTSpeaker(addr, "SD-0042", "SEDGE5")
	told, err := s.say(context.Background(), []byte(`<OBS.R01><HDR><HDR.control_id V="41"/><HDR.version_id V="POCT1"/></HDR><SVC/></OBS.R01>`), plain)
	require.NoError(t, err)
	require.Equal(t, "AA", told)
	require.Equal(t, map[string]bool{"121": true, "124": true}, s.operators)
	require.True(t, s.locked)
	require.False(t, s.continuous)
	require.Equal(t, []string{"HEL.R01", "DST.R01", "OBS.R01", "EOT.R01", "ACK.R01", "ACK.R01", "ACK.R01", "ACK.R01", "ACK.R01"}, <-all)
}
