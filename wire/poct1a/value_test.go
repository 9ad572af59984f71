package poct1a_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

// The first two stand in public software for POCT1-A2; the forms are those of
// ISO 8601, extended format.
func TestParseTime(t *testing.T) {
	for _, tt := range []struct {
		text   string
		want   string // RFC 3339, "" where the instant is not known
		parts  int
		ok     bool
		offset int
	}{
		{"2007-04-12T18:53:04.00-05:00", "2007-04-12T23:53:04Z", 7, true, -300},
		{"2024-03-05T09:13:30+01:00", "2024-03-05T08:13:30Z", 6, true, 60},
		{"2024-03-05T09:13:30Z", "2024-03-05T09:13:30Z", 6, true, 0},
		{"2024-03-05T09:13-0030", "2024-03-05T09:43:00Z", 5, true, -30},
		{"2024-03-05T09:13:30.125+05:45", "2024-03-05T03:28:30.125Z", 7, true, 345},
		{"2024-03-05T09:13:30", "", 6, true, 0},
		{"2025-03-31", "", 3, true, 0},
		{"2025-03", "", 2, true, 0},
		{"", "", 0, true, 0},
		{"2024-02-30", "", 0, false, 0},
		{"2024-13-01", "", 0, false, 0},
		{"2024-03-05T24:00:00Z", "", 0, false, 0},
		{"2024-03-05T09:60Z", "", 0, false, 0},
		{"2024-03-05T09:13:30+15:00", "", 0, false, 0},
		{"2024-03-05T09:13:30+01:75", "", 0, false, 0},
		{"0000-01-01", "", 0, false, 0},
		{"20240305091330", "", 0, false, 0},
		{"05.03.2024", "", 0, false, 0},
	} {
		got, err := poct1a.ParseTime(tt.text)
		require.Equal(t, tt.ok, err == nil, "%s: %v", tt.text, err)
		assert.Equal(t, tt.parts, got.Parts, tt.text)
		assert.Equal(t, tt.offset, got.Offset, tt.text)
		at := got.In(nil)
		if tt.want == "" {
			assert.True(t, at.IsZero(), tt.text)
			continue
		}
		assert.Equal(t, tt.want, at.UTC().Format(time.RFC3339Nano), tt.text)
	}
}

// "[4;11.5]" stands in public software for POCT1-A2; open ends are written as
// ISO 31-11 has them.
func TestParseInterval(t *testing.T) {
	for _, tt := range []struct {
		text string
		want poct1a.Interval
		ok   bool
	}{
		{"[4;11.5]", poct1a.Interval{Low: "4", High: "11.5"}, true},
		{"[2.0;3.0]", poct1a.Interval{Low: "2.0", High: "3.0"}, true},
		{"]2.0;3.0[", poct1a.Interval{Low: "2.0", High: "3.0", LowOpen: true, HighOpen: true}, true},
		{"[;3.0]", poct1a.Interval{High: "3.0"}, true},
		{"[2;]", poct1a.Interval{Low: "2"}, true},
		{"<=3.0", poct1a.Interval{High: "3.0"}, true},
		{"> 3", poct1a.Interval{Low: "3", LowOpen: true}, true},
		{"", poct1a.Interval{}, false},
		{"[;]", poct1a.Interval{}, false},
		{"[]", poct1a.Interval{}, false},
		{"[2,0;3,0]", poct1a.Interval{}, false},
		{"[2]", poct1a.Interval{}, false},
		{"2-3", poct1a.Interval{}, false},
		{"<", poct1a.Interval{}, false},
	} {
		got, err := poct1a.ParseInterval(tt.text)
		require.Equal(t, tt.ok, err == nil, tt.text)
		assert.Equal(t, tt.want, got, tt.text)
	}
}

func TestQuantity(t *testing.T) {
	for _, tt := range []struct {
		v    string
		want poct1a.Quantity
		ok   bool
	}{
		{"2.40", poct1a.Quantity{Number: "2.40", Unit: "{INR}"}, true},
		{">8.0", poct1a.Quantity{Comparator: ">", Number: "8.0", Unit: "{INR}"}, true},
		{"<= 0.8", poct1a.Quantity{Comparator: "<=", Number: "0.8", Unit: "{INR}"}, true},
		{"2,4", poct1a.Quantity{Number: "2,4", Unit: "{INR}"}, false},
		{"1e3", poct1a.Quantity{Number: "1e3", Unit: "{INR}"}, false},
		{"", poct1a.Quantity{Unit: "{INR}"}, false},
	} {
		got, ok := poct1a.Value{V: tt.v, Unit: "{INR}"}.Quantity()
		assert.Equal(t, tt.ok, ok, tt.v)
		assert.Equal(t, tt.want, got, tt.v)
	}
}

// FuzzTexts: no text of a device brings a reader of single values down, and a
// time that was read is written so that it reads alike.
func FuzzTexts(f *testing.F) {
	for _, s := range []string{"2007-04-12T18:53:04.00-05:00", "2025-03", "[4;11.5]", "]2;3[", "<=3.0", ">8.0", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		_, _ = poct1a.ParseInterval(text)
		_, _ = poct1a.Value{V: text}.Quantity()
		got, err := poct1a.ParseTime(text)
		at := got.In(time.UTC)
		if err != nil || at.IsZero() {
			return
		}
		again, err := poct1a.ParseTime(poct1a.FormatTime(at))
		require.NoError(t, err)
		require.Equal(t, at.Truncate(time.Second).UTC(), again.In(nil).UTC())
	})
}
