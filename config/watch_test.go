package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tidegate/config"
)

// What the example says is what is found in it, with its gaps filled.
func TestExampleWatches(t *testing.T) {
	c, faults := config.Load(filepath.Join(example(t), "tidegate.yaml"))
	require.Empty(t, faults)
	require.Equal(t, config.CallTimes{RemindAfter: 10 * time.Minute, Every: 10 * time.Minute, EscalateAfter: 30 * time.Minute}, c.Calls.At("millrace"))
	require.Equal(t, config.CallTimes{RemindAfter: 5 * time.Minute, Every: 10 * time.Minute, EscalateAfter: 15 * time.Minute}, c.Calls.At("saltmarsh"))
	require.Equal(t, 4*time.Hour, c.Ageing.At("millrace"))
	require.Equal(t, 2*time.Hour, c.Ageing.At("harbour"))
	require.Equal(t, 2*time.Hour, c.Ageing.Least())
	require.Len(t, c.Notify, 2)
	require.Equal(t, 24*time.Hour, c.Notify[0].GiveUp)
	require.True(t, filepath.IsAbs(c.Notify[0].TokenFile))
	require.Equal(t, 2*time.Hour, c.Inlets[0].Usual)
	require.Zero(t, c.Inlets[1].Usual)
	require.False(t, c.Inlets[1].Silent(time.Time{}, time.Now()), "not watched")
}

// Only open hours count. Clocks in London went an hour forward at 01:00 UTC on
// 29 March 2026 and went back at 01:00 UTC on 25 October 2026 (IANA tz
// database, rule EU: last Sundays of March and October).
func TestSilent(t *testing.T) {
	c, faults := config.Load(filepath.Join(example(t), "tidegate.yaml"))
	require.Empty(t, faults)
	shop := c.Inlets[0].Watch // two hours, Monday to Saturday 07:00 to 19:00
	for _, tt := range []struct {
		name, heard, now string
		want             bool
	}{
		{"within the day, not yet", "2026-03-09T10:00:00Z", "2026-03-09T12:00:00Z", false},
		{"within the day", "2026-03-09T10:00:00Z", "2026-03-09T12:00:01Z", true},
		{"overnight, not yet", "2026-03-09T18:30:00Z", "2026-03-10T08:30:00Z", false},
		{"overnight", "2026-03-09T18:30:00Z", "2026-03-10T08:30:01Z", true},
		{"heard at night", "2026-03-10T03:00:00Z", "2026-03-10T09:00:00Z", false},
		{"over Sunday, not yet", "2026-03-07T18:30:00Z", "2026-03-09T08:30:00Z", false},
		{"over Sunday", "2026-03-07T18:30:00Z", "2026-03-09T08:31:00Z", true},
		{"all of Sunday", "2026-03-07T19:00:00Z", "2026-03-08T23:00:00Z", false},
		{"silent before closing stays silent", "2026-03-09T15:00:00Z", "2026-03-09T23:00:00Z", true},
		{"a clock that went back", "2026-03-09T12:00:00Z", "2026-03-09T10:00:00Z", false},
		{"summer begins, not yet", "2026-03-28T18:30:00Z", "2026-03-30T07:30:00Z", false}, // opens at 06:00 UTC now
		{"summer begins", "2026-03-28T18:30:00Z", "2026-03-30T07:31:00Z", true},
		{"winter begins, not yet", "2026-10-24T17:30:00Z", "2026-10-26T08:30:00Z", false},
		{"winter begins", "2026-10-24T17:30:00Z", "2026-10-26T08:31:00Z", true},
		{"years", "2019-03-09T18:30:00Z", "2026-03-10T08:30:00Z", true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, shop.Silent(at(t, tt.heard), at(t, tt.now)))
		})
	}
	always := config.Watch{Usual: 2 * time.Hour}
	require.False(t, always.Silent(at(t, "2026-03-08T10:00:00Z"), at(t, "2026-03-08T12:00:00Z")))
	require.True(t, always.Silent(at(t, "2026-03-08T10:00:00Z"), at(t, "2026-03-08T12:00:01Z")))
}

// Hours past midnight belong to the day that they begin on.
func TestSilentAtNight(t *testing.T) {
	night := loadWith(t, example(t), `hours: "07:00-19:00"`, `hours: "19:00-07:00"`).Inlets[0].Watch // Monday to Saturday
	for _, tt := range []struct {
		name, heard, now string
		want             bool
	}{
		{"by day", "2026-03-09T07:00:00Z", "2026-03-09T19:00:00Z", false},
		{"after midnight, not yet", "2026-03-09T23:30:00Z", "2026-03-10T01:30:00Z", false},
		{"after midnight", "2026-03-09T23:30:00Z", "2026-03-10T01:31:00Z", true},
		{"Sunday morning is Saturday's night", "2026-03-08T02:00:00Z", "2026-03-08T04:01:00Z", true},
		{"Sunday night is nobody's", "2026-03-08T20:00:00Z", "2026-03-09T06:00:00Z", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			require.Equal(t, tt.want, night.Silent(at(t, tt.heard), at(t, tt.now)))
		})
	}
}

// loadWith loads the example with one text in it replaced.
func loadWith(t *testing.T, dir, old, new string) *config.Config {
	t.Helper()
	path := filepath.Join(dir, "tidegate.yaml")
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Contains(t, string(data), old)
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(data), old, new, 1)), 0o600))
	c, faults := config.Load(path)
	require.Empty(t, faults)
	return c
}

func at(t *testing.T, text string) time.Time {
	t.Helper()
	v, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return v
}
