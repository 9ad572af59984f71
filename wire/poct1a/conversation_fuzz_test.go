package poct1a_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

// walker drives a conversation by bytes and watches what must hold whatever
// the device, the store and the host do.
type walker struct {
	t       *testing.T
	talk    *poct1a.Conversation
	storing *poct1a.Document
	kept    map[string]bool // bytes
	ids     map[string]bool // control ids of what is kept, or is talk
	sent    []string        // control ids of ours
}

func (w *walker) watch(actions []poct1a.Action) {
	closing := false
	for _, a := range actions {
		require.False(w.t, closing, "an action behind the end")
		switch a := a.(type) {
		case poct1a.Send:
			require.NotContains(w.t, w.sent, a.Control, "a control id of ours given twice")
			w.sent = append(w.sent, a.Control)
			if got, ok := a.Message.(poct1a.Ack); ok && got.Positive {
				require.True(w.t, w.ids[got.Control], "AA to %q, which is not kept", got.Control)
			}
			require.NotEmpty(w.t, poct1a.Render(poct1a.Head{ControlID: a.Control}, a.Message))
		case poct1a.Store:
			require.Nil(w.t, w.storing, "two stores at a time")
			require.False(w.t, w.kept[string(a.Document.Raw)], "the same document stored twice in one conversation")
			w.storing = a.Document
		case poct1a.Close:
			closing = true
		}
	}
	if closing {
		require.True(w.t, w.talk.Closed())
		w.storing = nil
	}
}

func (w *walker) message(raw []byte) {
	d, fault := poct1a.Parse(raw, poct1a.Limits{})
	if fault != nil {
		return
	}
	if !d.Type().Stored() {
		w.ids[d.Header().ControlID] = true
	}
	w.watch(w.talk.Message(d))
}

func (w *walker) stored(kept bool) {
	if d := w.storing; d != nil {
		w.storing = nil
		if kept {
			w.kept[string(d.Raw)], w.ids[d.Header().ControlID] = true, true
		}
		w.watch(w.talk.Stored(kept))
		return
	}
	require.Empty(w.t, w.talk.Stored(kept), "an answer that nobody waits for")
}

// step does one of the valid steps of a device, the store or the host.
func (w *walker) step(what, which byte) {
	last := "0"
	if len(w.sent) > 0 {
		last = w.sent[len(w.sent)-1]
	}
	id := fmt.Sprintf("d%d", which&7)
	list := poct1a.NewList([]poct1a.Operator{{ID: fmt.Sprint("op", which&3)}, {ID: "op9"}})
	switch what & 15 {
	case 0:
		w.message([]byte(hel(id, "START_CONTINUOUS", "SET_TIME", "LOCK", "OP_LST", "OP_LST_I", "PT_LST", "D_EV")))
	case 1:
		w.message([]byte(dst(id, fmt.Sprint(which&3), fmt.Sprint(which>>2&3))))
	case 2, 3:
		w.message([]byte(dev("OBS.R01", "r"+id, fmt.Sprintf(`<SVC><SVC.sequence_nbr V="%d"/></SVC>`, which>>3&1))))
	case 4:
		w.message([]byte(dev("EVS.R01", "v"+id, "<EVT/>")))
	case 5:
		w.message([]byte(eot))
	case 6, 7:
		w.message([]byte(ack(last)))
	case 8:
		w.message([]byte(refuse(last)))
	case 9:
		w.message([]byte(kpa))
	case 10:
		w.message([]byte(dev("ESC.R01", id, `<ESC><ESC.esc_control_id V="`+last+`"/></ESC>`)))
	case 11:
		if which == 0 {
			w.message([]byte(end))
		}
	case 12:
		w.watch(w.talk.Timeout())
	case 13:
		w.watch(w.talk.Wish(poct1a.Wish{SetTime: which&1 != 0, Lock: which&2 != 0, Unlock: which&4 != 0, Operators: list, OperatorsThere: list}))
	case 14:
		w.stored(which&3 != 0)
	case 15:
		if which == 0 {
			w.watch(w.talk.End(""))
		}
	}
}

// finish: with a store that answers and a device that is silent, every
// conversation comes to its end.
func (w *walker) finish() {
	for n := 0; !w.talk.Closed(); n++ {
		require.Less(w.t, n, 10_000, "the conversation does not end")
		if w.storing != nil {
			w.stored(true)
			continue
		}
		w.watch(w.talk.Timeout())
	}
	for what := range byte(16) {
		w.step(what, 0)
	}
	require.Nil(w.t, w.storing, "something is done after the end")
}

func newWalker(t *testing.T, continuous bool) *walker {
	rules := poct1a.Rules{Words: poct1a.DefaultVocabulary(), Events: true, Continuous: continuous}
	return &walker{t: t, talk: poct1a.NewConversation(rules), kept: map[string]bool{}, ids: map[string]bool{}}
}

// FuzzConversation walks by valid steps in any order.
func FuzzConversation(f *testing.F) {
	for _, s := range []string{
		"\x00\x00\x01\x05\x0d\x00\x02\x01\x0e\x01\x02\x02\x0e\x00\x05\x00\x06\x00\x06\x00",         // basic
		"\x00\x00\x01\x00\x0d\x03\x06\x00\x06\x00\x06\x00\x06\x00\x09\x00\x02\x00\x0e\x01\x0d\x01", // continuous
		"\x02\x00\x02\x08\x0e\x01\x0e\x01\x02\x00\x0e\x01\x02\x08",                                 // ids used again
		"\x0c\x00", "\x00\x00\x0c\x00\x0c\x00\x0c\x00", "\x00\x01\x01\x0f\x08\x00\x0a\x00\x0b\x00",
	} {
		f.Add([]byte(s), true)
		f.Add([]byte(s), false)
	}
	f.Fuzz(func(t *testing.T, steps []byte, continuous bool) {
		w := newWalker(t, continuous)
		for i := 0; i+1 < len(steps) && i < 400; i += 2 {
			w.step(steps[i], steps[i+1])
		}
		w.finish()
	})
}

// FuzzStream walks by what a device sends, whatever that is.
func FuzzStream(f *testing.F) {
	for _, n := range []string{"hello", "patient", "control", "events"} {
		f.Add(sample(f, n), uint8(0))
	}
	f.Add([]byte(hel("1")+dst("2", "1", "1")+obs("3")+obs("3")+eot+kpa+end), uint8(5))
	f.Fuzz(func(t *testing.T, stream []byte, store uint8) {
		w := newWalker(t, store&1 != 0)
		docs, _ := split(t, stream, max(1, len(stream)))
		for i, raw := range docs[:min(len(docs), 200)] {
			w.message(raw)
			w.stored(store>>(i%8)&1 == 0)
		}
		w.finish()
	})
}
