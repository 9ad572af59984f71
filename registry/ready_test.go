package registry_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/registry"
)

func TestReadyFacts(t *testing.T) {
	book := full()
	add := func(kind poct.ReadingKind, lot string, ago time.Duration) {
		p := past(kind, "Q3-1007", "MRN0008", tested.Add(-ago))
		p.Reading.StripLot = lot
		book.past = append(book.past, p)
	}
	add(poct.KindControl, "7K4A231", 3*time.Hour)
	add(poct.KindControl, "7K40231", 2*time.Hour)
	add(poct.KindPatient, "7K40231", time.Hour)
	add(poct.KindPatient, "7K4A231", 30*time.Hour) // came late
	add(poct.KindEvent, "", time.Minute)
	add(poct.KindPatient, "7K4A231", -time.Hour) // dated ahead
	f, lot, err := registry.ReadyFacts(book, "Q3-1007", tested)
	require.NoError(t, err)
	assert.Equal(t, "7K40231", lot, "tested last, whenever it came")
	assert.Equal(t, "7K40231", f.StripLot.Lot)
	assert.Equal(t, "Q3-1007", f.Meter.Serial)
	assert.Equal(t, "millrace", f.Site.ID)
	assert.Len(t, f.Controls, 2)
	assert.Len(t, f.Chains, 1)
	assert.Len(t, f.MeterHistory, 6)
	assert.Equal(t, tested, f.Now)

	seen := book.seen

	f, lot, err = registry.ReadyFacts(book, "nobody's", tested)
	require.NoError(t, err)
	assert.Nil(t, f.Meter)
	assert.Empty(t, lot)

	for _, what := range seen {
		broken := *book
		broken.seen, broken.fail = nil, what
		_, _, err := registry.ReadyFacts(&broken, "Q3-1007", tested)
		assert.ErrorIs(t, err, errShelf, "a failing look-up of %s was taken for an answer", what)
	}
}
