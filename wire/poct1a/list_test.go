package poct1a_test

import (
	"fmt"
	"regexp"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

var update = regexp.MustCompile(`<UPD><UPD\.action_cd V="([ID])"/><OPR><OPR\.operator_id V="([^"]*)"/>(?:<OPR\.name V="([^"]*)"/>)?`)
var full = regexp.MustCompile(`<OPR><OPR\.operator_id V="([^"]*)"/>(?:<OPR\.name V="([^"]*)"/>)?`)

// apply is what a device makes of list messages.
func apply(has map[string]string, messages []poct1a.Outgoing) map[string]string {
	out := map[string]string{}
	for i, m := range messages {
		doc := string(poct1a.Render(poct1a.Head{}, m))
		if m.Type() == "OPL.R01" {
			if i == 0 {
				out = map[string]string{}
			}
			for _, r := range full.FindAllStringSubmatch(doc, -1) {
				out[r[1]] = r[2]
			}
			continue
		}
		if i == 0 {
			for id, name := range has {
				out[id] = name
			}
		}
		for _, r := range update.FindAllStringSubmatch(doc, -1) {
			if delete(out, r[2]); r[1] == "I" {
				out[r[2]] = r[3]
			}
		}
	}
	if len(messages) == 0 {
		return has
	}
	return out
}

// FuzzList: a device that has one list and is told the changes, or all of it,
// has the other one; no message is larger than it may be, unless one row is.
func FuzzList(f *testing.F) {
	f.Add([]byte{1, 2, 3}, []byte{2, 3, 4}, 600)
	f.Add([]byte{}, []byte{1}, 0)
	f.Add([]byte{1, 129}, []byte{}, 1)
	f.Fuzz(func(t *testing.T, before, after []byte, size int) {
		list := func(b []byte) (*poct1a.List[poct1a.Operator], map[string]string) {
			var rows []poct1a.Operator
			want := map[string]string{}
			for _, c := range b {
				o := poct1a.Operator{ID: fmt.Sprint("op", c&63), Name: fmt.Sprint("n", c>>6)}
				rows = append(rows, o)
				if _, twice := want[o.ID]; !twice {
					want[o.ID] = o.Name
				}
			}
			return poct1a.NewList(rows), want
		}
		from, has := list(before)
		to, want := list(after)
		size = min(max(size, 0), 5000)
		require.Equal(t, want, apply(has, to.Changes(from, size, "I", "D")))
		require.Equal(t, want, apply(has, to.Full(size)))
		require.Empty(t, to.Changes(to, size, "I", "D"))
		require.Equal(t, from.Same(to), len(to.Changes(from, size, "I", "D")) == 0)
		for _, m := range slices.Concat(to.Full(size), to.Changes(from, size, "I", "D")) {
			n := len(poct1a.Render(poct1a.Head{ControlID: "12345678"}, m))
			require.True(t, size == 0 || n <= size || n <= 600, "%d bytes, %d are allowed", n, size)
		}
	})
}
