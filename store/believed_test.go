package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/store"
	"tidegate/store/storetest"
)

// What is believed of a row tells since when and by whom, and what it was before.
func TestBelieved(t *testing.T) {
	ctx := t.Context()
	s := open(t, t.TempDir(), store.Options{})
	put := func(by string, meters ...poct.Meter) {
		_, _, err := s.Upsert(ctx, by, poct.RegistryRows{Meters: meters})
		require.NoError(t, err)
	}
	put("r.ito", poct.Meter{Serial: "Q1", Model: "Quill 3", Site: "millrace", State: "in-use"}, poct.Meter{Serial: "Q2", Model: "Quill 3", Site: "millrace", State: "in-use"})
	put("k.osei", poct.Meter{Serial: "Q1", Model: "Quill 3", Site: "harbour", State: "in-use"}, poct.Meter{Serial: "Q3", Model: "Quill 3", Site: "millrace", State: "in-use"})

	page, next, err := s.Believed(ctx, poct.Meters, "", 2)
	require.NoError(t, err)
	require.Len(t, page, 2)
	assert.Equal(t, []any{"Q1", "k.osei", 2}, []any{page[0].Key, page[0].By, page[0].Times})
	assert.Contains(t, string(page[0].Row), "harbour")
	assert.Equal(t, []any{"Q2", "r.ito", 1}, []any{page[1].Key, page[1].By, page[1].Times})
	page, next, err = s.Believed(ctx, poct.Meters, next, 2)
	require.NoError(t, err)
	require.Len(t, page, 1)
	assert.Equal(t, "Q3", page[0].Key)
	assert.Empty(t, next)

	was, err := s.History(ctx, poct.Meters, "Q1", 10)
	require.NoError(t, err)
	require.Len(t, was, 2)
	assert.Equal(t, "k.osei", was[0].By)
	assert.Contains(t, string(was[1].Row), "millrace")
	_, err = s.History(ctx, poct.Meters, "Q9", 10)
	assert.ErrorIs(t, err, poct.ErrNotFound)
	counts, err := s.RegistryCounts(ctx)
	require.NoError(t, err)
	assert.Equal(t, map[poct.RegistryKind]int{poct.Meters: 3}, counts)
}

// An inlet's arrivals and a person's looks are listed newest first.
func TestCameInAndLooks(t *testing.T) {
	ctx := t.Context()
	var s *store.Store
	w := storetest.NewWorld(t, func(t testing.TB, now func() time.Time) storetest.Store {
		s = open(t, t.TempDir(), store.Options{Now: now})
		return s
	})
	first := w.Take(storetest.Released("Q1", "1", "2.5"))[0]
	w.Take(storetest.Released("Q1", "2", "2.6"))
	waits := w.Send("not judged yet")
	came, err := s.CameIn(ctx, "millrace", 2)
	require.NoError(t, err)
	require.Len(t, came, 2)
	assert.Equal(t, []any{waits, poct.Waiting, len("not judged yet")}, []any{came[0].ID, came[0].State, came[0].Bytes})
	assert.Equal(t, poct.Delivering, came[1].State)
	came, err = s.CameIn(ctx, "drop", 2)
	require.NoError(t, err)
	assert.Empty(t, came)

	require.NoError(t, s.Look(ctx, "r.ito", []string{first}, []string{"inr"}))
	require.NoError(t, s.Look(ctx, "k.osei", []string{first, waits}, []string{"bytes"}))
	for _, tc := range []struct {
		name, actor, about string
		want               []string // actors, newest first
	}{
		{"all", "", "", []string{"k.osei", "k.osei", "r.ito"}},
		{"one person's", "r.ito", "", []string{"r.ito"}},
		{"at one result", "", first, []string{"k.osei", "r.ito"}},
		{"at one arrival", "", waits, []string{"k.osei"}},
		{"nobody's", "n.one", "", nil},
	} {
		looks, next, err := s.Looks(ctx, tc.actor, tc.about, 0, 10)
		require.NoError(t, err)
		var got []string
		for _, l := range looks {
			got = append(got, l.Actor)
		}
		assert.Equal(t, tc.want, got, tc.name)
		assert.Zero(t, next, tc.name)
	}
	one, next, err := s.Looks(ctx, "", "", 0, 2)
	require.NoError(t, err)
	require.Len(t, one, 2)
	rest, _, err := s.Looks(ctx, "", "", next, 2)
	require.NoError(t, err)
	require.Len(t, rest, 1)
	assert.Equal(t, "r.ito", rest[0].Actor)
}
