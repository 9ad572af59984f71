package poct1a_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

// host drives a conversation and keeps what it was told to do, a line for each.
type host struct {
	t      testing.TB
	talk   *poct1a.Conversation
	down   bool // the store
	wish   poct1a.Wish
	lines  []string
	stored []string
	sent   []string // documents
}

func newHost(t testing.TB, change func(*poct1a.Rules)) *host {
	rules := poct1a.Rules{Words: poct1a.DefaultVocabulary(), Events: true, Answer: time.Minute}
	if change != nil {
		change(&rules)
	}
	return &host{t: t, talk: poct1a.NewConversation(rules)}
}

var inner = regexp.MustCompile(`</HDR>(.*)</[A-Z]+\.R0[0-9]>$`)
var values = regexp.MustCompile(` V="([^"]*)"`)

func (h *host) do(actions []poct1a.Action) {
	for len(actions) > 0 {
		a := actions[0]
		actions = actions[1:]
		switch a := a.(type) {
		case poct1a.Send:
			doc := string(poct1a.Render(poct1a.Head{ControlID: a.Control, Created: time.Unix(0, 0).UTC()}, a.Message))
			h.sent = append(h.sent, doc)
			line := string(a.Message.Type())
			for _, v := range values.FindAllStringSubmatch(inner.FindStringSubmatch(doc)[1], -1) {
				line += " " + v[1]
			}
			h.lines = append(h.lines, fmt.Sprintf("#%s %s", a.Control, line))
		case poct1a.Store:
			if !h.down {
				h.stored = append(h.stored, a.Document.Header().ControlID)
			}
			h.lines = append(h.lines, "store "+a.Document.Header().ControlID)
			actions = append(actions, h.talk.Stored(!h.down)...)
		case poct1a.Greeted:
			h.lines = append(h.lines, "greeted "+a.Hello.Serial())
		case poct1a.Reported:
			actions = append(actions, h.talk.Wish(h.wish)...)
		case poct1a.Noted:
			h.lines = append(h.lines, "noted: "+a.What)
		case poct1a.Close:
			h.lines = append(h.lines, "close: "+a.Why)
		case poct1a.ToldOperators:
			h.lines = append(h.lines, fmt.Sprint("told operators ", a.List.Len()))
		case poct1a.ToldPatients:
			h.lines = append(h.lines, fmt.Sprint("told patients ", a.List.Len()))
		case poct1a.Locked:
			h.lines = append(h.lines, fmt.Sprint("locked ", a.Locked))
		}
	}
}

// says gives the host messages and returns what it did, a line for each action.
func (h *host) says(messages ...string) string {
	h.t.Helper()
	h.lines = nil
	for _, m := range messages {
		if m == "(silence)" {
			h.do(h.talk.Timeout())
			continue
		}
		h.do(h.talk.Message(parse(h.t, m)))
	}
	return strings.Join(h.lines, "\n")
}

// device messages, short.
func dev(root, id, body string) string {
	return fmt.Sprintf(`<%s><HDR><HDR.control_id V="%s"/></HDR>%s</%s>`, root, id, body, root)
}

func hel(id string, says ...string) string {
	body := `<DEV><DEV.serial_id V="SD-0042"/><DSC>`
	for _, s := range says {
		if strings.HasPrefix(s, "OP") || strings.HasPrefix(s, "PT") || s == "D_EV" {
			body += `<DSC.topics_supported_cd V="` + s + `"/>`
			continue
		}
		body += `<DSC.directives_supported_cd V="` + s + `"/>`
	}
	return dev("HEL.R01", id, body+`</DSC></DEV>`)
}

func dst(id string, results, events string) string {
	body := "<DST>"
	if results != "" {
		body += `<DST.new_observations_qty V="` + results + `"/>`
	}
	if events != "" {
		body += `<DST.new_events_qty V="` + events + `"/>`
	}
	return dev("DST.R01", id, body+"</DST>")
}

func ack(of string) string {
	return dev("ACK.R01", "a"+of, `<ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="`+of+`"/></ACK>`)
}

func refuse(of string) string {
	return dev("ACK.R01", "a"+of, `<ACK><ACK.type_cd V="AE"/><ACK.ack_control_id V="`+of+`"/></ACK>`)
}

func obs(id string) string { return dev("OBS.R01", id, "<SVC/>") }

func lines(l ...string) string { return strings.Join(l, "\n") }

const (
	eot = `<EOT.R01><HDR><HDR.control_id V="e"/></HDR><EOT><EOT.topic_cd V="OBS"/></EOT></EOT.R01>`
	end = `<END.R01><HDR><HDR.control_id V="z"/></HDR><TRM><TRM.reason_cd V="NRM"/></TRM></END.R01>`
	kpa = `<KPA.R01><HDR><HDR.control_id V="k"/></HDR></KPA.R01>`
)

func TestBasic(t *testing.T) {
	h := newHost(t, nil)
	assert.Equal(t, lines("greeted SD-0042", "#1 ACK.R01 AA 1"), h.says(hel("1")))
	assert.Equal(t, lines("#2 ACK.R01 AA 2", "#3 REQ.R01 ROBS"), h.says(dst("2", "2", "1")))
	assert.Equal(t, lines("store 3", "#4 ACK.R01 AA 3"), h.says(obs("3")), "straight after REQ, without an ACK to it")
	assert.Equal(t, "", h.says(ack("3")), "an ACK to REQ is taken and not needed")
	assert.Equal(t, lines("store 4", "#5 ACK.R01 AA 4"), h.says(obs("4")))
	assert.Equal(t, lines("store 4b", "#6 ACK.R01 AA 4b"), h.says(obs("4b")), "more than were announced")
	assert.Equal(t, lines("#7 ACK.R01 AA e", "#8 REQ.R01 RDEV"), h.says(eot))
	assert.Equal(t, lines("store 5", "#9 ACK.R01 AA 5"), h.says(dev("EVS.R01", "5", "<EVT/>")))
	assert.Equal(t, lines("#10 ACK.R01 AA e", "#11 END.R01 NRM"), h.says(eot))
	assert.Equal(t, "close: the conversation is over", h.says(ack("11")))
	assert.True(t, h.talk.Closed())
	assert.Equal(t, "", h.says(obs("9")), "nothing after the end")
}

func TestStatus(t *testing.T) {
	for _, tt := range []struct{ name, hello, status, want string }{
		{"nothing new", hel("1"), dst("2", "0", "0"), "#3 END.R01 NRM"},
		{"quantities not stated", hel("1"), dst("2", "", ""), "#3 REQ.R01 ROBS"},
		{"events alone", hel("1"), dst("2", "0", "3"), "#3 REQ.R01 RDEV"},
		{"events not stated, topic said", hel("1", "D_EV"), dst("2", "0", ""), "#3 REQ.R01 RDEV"},
		{"events not stated", hel("1"), dst("2", "0", ""), "#3 END.R01 NRM"},
		{"a quantity that is none", hel("1"), dst("2", "many", "0"), "#3 REQ.R01 ROBS"},
	} {
		h := newHost(t, nil)
		h.says(tt.hello)
		assert.Equal(t, lines("#2 ACK.R01 AA 2", tt.want), h.says(tt.status), tt.name)
	}
}

func TestStoreDown(t *testing.T) {
	h := newHost(t, nil)
	h.says(hel("1"), dst("2", "2", "0"))
	h.down = true
	assert.Equal(t, lines("store 3", "#4 ACK.R01 AE 3"), h.says(obs("3")))
	h.down = false
	assert.Equal(t, lines("store 3", "#5 ACK.R01 AA 3"), h.says(obs("3")))
	assert.Equal(t, "#6 ACK.R01 AA 3", h.says(obs("3")), "again in this conversation: kept already")
}

// A device that numbers all its messages alike must not take one answer for
// another's: on a repeat the connection ends instead.
func TestControlIDsReused(t *testing.T) {
	h := newHost(t, nil)
	other := func(n int) string {
		return dev("OBS.R01", "0", fmt.Sprintf(`<SVC><SVC.sequence_nbr V="%d"/></SVC>`, n))
	}
	h.says(hel("1"), dst("2", "9", "0"))
	assert.Equal(t, lines("store 0", "#4 ACK.R01 AA 0"), h.says(other(1)))
	assert.Equal(t, lines("noted: one control id was used for different messages", "store 0", "#5 ACK.R01 AA 0"), h.says(other(2)), "other bytes are never dropped")
	assert.Equal(t, lines("store 0", "#6 ACK.R01 AA 0"), h.says(other(3)), "noted once")
	assert.Contains(t, h.says(other(2)), "close: answers cannot be told apart")
	h = newHost(t, nil)
	h.says(hel("1"), dst("2", "9", "0"))
	assert.Equal(t, lines("store ", "#4 ACK.R01 AA"), h.says(dev("OBS.R01", "", "<SVC/>")))
	assert.Contains(t, h.says(dev("OBS.R01", "", "<SVC/>")), "close: answers cannot be told apart")
}

func TestTold(t *testing.T) {
	h := newHost(t, nil)
	h.wish = poct1a.Wish{
		SetTime: true, Lock: true,
		Operators: poct1a.NewList([]poct1a.Operator{{ID: "op1"}, {ID: "op2"}}),
		Patients:  poct1a.NewList([]poct1a.Patient{{ID: "MRN7"}}),
	}
	h.says(hel("1", "SET_TIME", "LOCK", "OP_LST", "PT_LST"))
	assert.Equal(t, lines("#2 ACK.R01 AA 2", "#3 DTV.R02 SET_TIME 1970-01-01T00:00:00+00:00"), h.says(dst("2", "0", "0")))
	assert.Equal(t, "#4 OPL.R01 op1 op2", h.says(ack("3")))
	assert.Equal(t, lines("#5 EOT.R01 OPL", "told operators 2", "#6 PTL.R01 MRN7"), h.says(ack("4")))
	assert.Equal(t, "", h.says(ack("5")), "an ACK to EOT is taken and not needed")
	assert.Equal(t, lines("store 7", "#7 ACK.R01 AA 7"), h.says(obs("7")), "a result in between")
	assert.Equal(t, lines("#8 EOT.R01 PTL", "told patients 1", "#9 DTV.R01 LOCK"), h.says(ack("6")))
	assert.Equal(t, lines("locked true", "#10 END.R01 NRM"), h.says(ack("9")))
	assert.Equal(t, lines("#11 ACK.R01 AA z", "close: the device ended the conversation"), h.says(end))
}

func TestNotTold(t *testing.T) {
	h := newHost(t, nil)
	h.wish = poct1a.Wish{SetTime: true, Lock: true, Operators: poct1a.NewList([]poct1a.Operator{{ID: "op1"}})}
	h.says(hel("1", "PT_LST"))
	assert.Equal(t, lines("#2 ACK.R01 AA 2", "#3 END.R01 NRM"), h.says(dst("2", "0", "0")), "what it does not say that it can take")
	h = newHost(t, func(r *poct1a.Rules) { r.Unsaid = true })
	h.wish = poct1a.Wish{SetTime: true}
	h.says(hel("1"))
	assert.Contains(t, h.says(dst("2", "0", "0")), "SET_TIME")
}

func TestRefused(t *testing.T) {
	esc := func(of string) string {
		return dev("ESC.R01", "x", `<ESC><ESC.esc_control_id V="`+of+`"/><ESC.detail_cd V="OTH"/></ESC>`)
	}
	for _, answer := range []string{refuse("3"), esc("3"), dev("ACK.R01", "x", `<ACK><ACK.type_cd V="AE"/></ACK>`)} {
		h := newHost(t, nil)
		h.wish = poct1a.Wish{SetTime: true, Operators: poct1a.NewList([]poct1a.Operator{{ID: "op1"}})}
		h.says(hel("1", "SET_TIME", "OP_LST"), dst("2", "0", "0"))
		assert.Equal(t, lines("noted: the device refused the time", "#4 OPL.R01 op1"), h.says(answer), "ESC and ACK are not answered")
		assert.Equal(t, lines("noted: the device refused the operator list", "#5 END.R01 NRM"), h.says(refuse("4")), "no EOT for a list that was refused")
	}
	h := newHost(t, nil)
	h.says(hel("1"), dst("2", "3", "0"))
	assert.Equal(t, lines("noted: the device refused results", "#4 END.R01 NRM"), h.says(esc("3")))
}

func TestContinuous(t *testing.T) {
	h := newHost(t, func(r *poct1a.Rules) { r.Continuous = true; r.Idle = time.Hour })
	h.says(hel("1", "START_CONTINUOUS", "OP_LST", "OP_LST_I"))
	assert.Equal(t, lines("#2 ACK.R01 AA 2", "#3 REQ.R01 ROBS"), h.says(dst("2", "1", "0")))
	assert.Equal(t, lines("store 3", "#4 ACK.R01 AA 3"), h.says(obs("3")))
	assert.Equal(t, lines("#5 ACK.R01 AA e", "#6 DTV.R01 START_CONTINUOUS"), h.says(eot))
	assert.False(t, h.talk.Idle())
	assert.Equal(t, "", h.says(ack("6")))
	assert.True(t, h.talk.Idle())
	assert.Equal(t, time.Hour, h.talk.Patience())
	assert.Equal(t, "#7 ACK.R01 AA k", h.says(kpa))
	assert.Equal(t, lines("store 8", "#8 ACK.R01 AA 8"), h.says(obs("8")), "at will")
	assert.Equal(t, "#9 ACK.R01 AA 9", h.says(dst("9", "5", "0")), "a status reports; nothing is asked for")
	// The host's turn.
	before, after := poct1a.NewList([]poct1a.Operator{{ID: "op1"}, {ID: "op2", Name: "B"}}), poct1a.NewList([]poct1a.Operator{{ID: "op2", Name: "C"}, {ID: "op3"}})
	h.lines = nil
	h.do(h.talk.Wish(poct1a.Wish{Operators: before}))
	assert.Equal(t, []string{"#10 OPL.R01 op1 op2 B"}, h.lines)
	h.says(ack("10"))
	h.lines = nil
	h.do(h.talk.Wish(poct1a.Wish{Operators: after, OperatorsThere: before}))
	assert.Equal(t, []string{"#12 OPL.R02 D op1 D op2 B I op2 C I op3"}, h.lines)
	assert.Equal(t, lines("#13 EOT.R01 OPL", "told operators 2"), h.says(ack("12")))
	h.lines = nil
	h.do(h.talk.Wish(poct1a.Wish{Operators: after, OperatorsThere: after}))
	assert.Empty(t, h.lines, "nothing changed")
	h.do(h.talk.End("stop"))
	assert.Equal(t, []string{"#14 END.R01 NRM stop"}, h.lines)
	assert.Equal(t, "close: the conversation is over", h.says(ack("14")))
}

func TestContinuousRefused(t *testing.T) {
	h := newHost(t, func(r *poct1a.Rules) { r.Continuous = true })
	h.says(hel("1", "START_CONTINUOUS"), dst("2", "0", "0"))
	assert.Equal(t, lines("noted: the device refused continuous mode", "#4 END.R01 NRM"), h.says(refuse("3")))
	h = newHost(t, func(r *poct1a.Rules) { r.Continuous = true })
	h.says(hel("1"))
	assert.Contains(t, h.says(dst("2", "0", "0")), "END.R01", "it does not say that it can")
}

func TestSilence(t *testing.T) {
	h := newHost(t, nil)
	assert.Equal(t, time.Minute, h.talk.Patience())
	assert.Equal(t, lines("noted: no hello came", "close: no hello"), h.says("(silence)"))

	h = newHost(t, nil)
	h.says(dev("HEL.R01", "1", `<DEV><DEV.serial_id V="S"/></DEV><DCP><DCP.application_timeout V="20"/></DCP>`))
	assert.Equal(t, 20*time.Second, h.talk.Patience(), "as the device says")
	assert.Equal(t, "#2 REQ.R01 ROBS", h.says("(silence)"), "no status: it may have results all the same")
	assert.Equal(t, lines("store 3", "#3 ACK.R01 AA 3"), h.says(obs("3")))
	assert.Equal(t, "#4 END.R01 NRM", h.says("(silence)"), "no EOT, no END: what came is all")
	assert.Equal(t, "close: the conversation is over", h.says("(silence)"))

	h = newHost(t, nil)
	h.wish = poct1a.Wish{SetTime: true, Operators: poct1a.NewList([]poct1a.Operator{{ID: "op1"}})}
	h.says(hel("1", "SET_TIME", "OP_LST"), dst("2", "0", "0"))
	assert.Equal(t, lines("noted: the device did not answer to the time", "#4 OPL.R01 op1"), h.says("(silence)"))
	assert.Equal(t, lines("noted: the device fell silent", "#5 END.R01 NRM no answer in time"), h.says("(silence)"))

	for said, want := range map[string]time.Duration{"1": 5 * time.Second, "86400": 10 * time.Minute, "0": time.Minute, "-5": time.Minute} {
		h := newHost(t, nil)
		h.says(dev("HEL.R01", "1", `<DCP><DCP.application_timeout V="`+said+`"/></DCP>`))
		assert.Equal(t, want, h.talk.Patience(), said)
	}
}

func TestStartsOver(t *testing.T) {
	h := newHost(t, nil)
	h.says(hel("1"), dst("2", "3", "0"), obs("3"))
	assert.Equal(t, lines("greeted SD-0042", "#5 ACK.R01 AA 1"), h.says(hel("1")))
	assert.Equal(t, lines("#6 ACK.R01 AA 2", "#7 REQ.R01 ROBS"), h.says(dst("2", "2", "0")))
	assert.Equal(t, "#8 ACK.R01 AA 3", h.says(obs("3")), "stored already on this connection")
	var many []string
	for range 20 {
		many = append(many, hel("1"))
	}
	assert.Contains(t, h.says(many...), "close: too many hellos")
}

func TestOutOfTurn(t *testing.T) {
	h := newHost(t, nil)
	assert.Equal(t, lines("store 3", "#1 ACK.R01 AA 3"), h.says(obs("3")), "a result before any hello is kept")
	assert.Equal(t, "#2 ACK.R01 AA k", h.says(kpa))
	assert.Equal(t, lines("store v", "#3 ACK.R01 AA v"), h.says(dev("VND.R07", "v", "")), "a type that nobody knows is kept")
	assert.Contains(t, h.says(dev("REQ.R01", "r", "")), "#4 ESC.R01 r OTH")
	assert.Equal(t, "", h.says(ack("99")), "an answer that nobody waits for")
	assert.Equal(t, "#5 ACK.R01 AA e", h.says(eot))
	assert.Equal(t, lines("#6 ACK.R01 AA z", "close: the device ended the conversation"), h.says(end))
}

// A message that comes while another is being stored waits for it.
func TestStoring(t *testing.T) {
	c := poct1a.NewConversation(poct1a.Rules{Words: poct1a.DefaultVocabulary()})
	require.Len(t, c.Message(parse(t, obs("1"))), 1)
	require.Empty(t, c.Message(parse(t, obs("2"))))
	require.Empty(t, c.Message(parse(t, kpa)))
	require.Empty(t, c.Timeout(), "nothing is waited for meanwhile")
	got := c.Stored(true)
	require.Len(t, got, 2)
	require.Equal(t, poct1a.Ack{Positive: true, Control: "1"}, got[0].(poct1a.Send).Message)
	require.IsType(t, poct1a.Store{}, got[1])
	got = c.Stored(false)
	require.Equal(t, poct1a.Ack{Control: "2"}, got[0].(poct1a.Send).Message)
	require.Equal(t, poct1a.Ack{Positive: true, Control: "k"}, got[1].(poct1a.Send).Message)
	require.Empty(t, c.Stored(true), "nothing is being stored")
}
