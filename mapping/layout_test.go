package mapping

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Pattern letters and apostrophes: UTS #35 part 4, Date Field Symbol Table.
func TestLayout(t *testing.T) {
	tests := []struct{ pattern, text, want, precision string }{
		{"dd.MM.yyyy HH:mm", "05.03.2026 09:12", "2026-03-05T09:12:00Z", "minute"},
		{"yyyy-MM-dd'T'HH:mm:ss", "2026-03-05T09:12:13", "2026-03-05T09:12:13Z", "second"},
		{"yyyy-MM-dd'T'HH:mm:ss.SSSX", "2026-03-05T09:12:13.250-05:00", "2026-03-05T09:12:13.25-05:00", "fraction"},
		{"yyyy-MM-dd HH:mm:ssXXX", "2026-03-05 09:12:13Z", "2026-03-05T09:12:13Z", "second"},
		{"yyyyMMddHHmmZ", "202603050912+0130", "2026-03-05T09:12:00+01:30", "minute"},
		{"yyyy-MM-dd HH:mmx", "2026-03-05 09:12-03", "2026-03-05T09:12:00-03:00", "minute"},
		{"d/M/yy H:mm", "5/3/26 9:12", "2026-03-05T09:12:00Z", "minute"},
		{"d/M/yy H:mm", "15/12/26 19:12", "2026-12-15T19:12:00Z", "minute"},
		{"MM/dd/yyyy hh:mm a", "03/05/2026 12:05 AM", "2026-03-05T00:05:00Z", "minute"},
		{"MM/dd/yyyy hh:mm a", "03/05/2026 12:05 pm", "2026-03-05T12:05:00Z", "minute"},
		{"MM/dd/yyyy h:mma", "03/05/2026 1:05PM", "2026-03-05T13:05:00Z", "minute"},
		{"dd.MM.yyyy", "29.02.2028", "2028-02-29T00:00:00Z", "day"},
		{"yyyy-MM", "2026-11", "2026-11-01T00:00:00Z", "month"},
		{"yyyy 'o''clock' MM", "2026 o'clock 11", "2026-11-01T00:00:00Z", "month"},
	}
	for _, tc := range tests {
		l, err := parseLayout(tc.pattern)
		require.NoError(t, err, tc.pattern)
		got, ok := l.read(tc.text)
		require.True(t, ok, "%s: %s", tc.pattern, tc.text)
		assert.Equal(t, tc.want, got.In(time.UTC).Format(time.RFC3339Nano), tc.pattern)
		assert.Equal(t, tc.precision, got.Precision.String())
	}
	for _, tc := range []struct{ pattern, text string }{
		{"dd.MM.yyyy HH:mm", "5.3.2026 09:12"},
		{"dd.MM.yyyy HH:mm", "05.03.26 09:12"},
		{"dd.MM.yyyy HH:mm", "05.03.2026 09:12:13"},
		{"dd.MM.yyyy HH:mm", "05.03.2026"},
		{"dd.MM.yyyy", "30.02.2026"},
		{"dd.MM.yyyy", "01.13.2026"},
		{"dd.MM.yyyy HH:mm", "05.03.2026 24:00"},
		{"MM/dd/yyyy hh:mm a", "03/05/2026 13:05 PM"},
		{"MM/dd/yyyy hh:mm a", "03/05/2026 00:05 AM"},
		{"MM/dd/yyyy hh:mm a", "03/05/2026 01:05"},
		{"yyyy-MM-dd HH:mmX", "2026-03-05 09:12"},
		{"yyyy-MM-dd HH:mmX", "2026-03-05 09:12+1"},
		{"yyyy-MM-dd yyyy", "2026-03-05 2027"},
		{"dd.MM.yyyy", ""},
	} {
		l, err := parseLayout(tc.pattern)
		require.NoError(t, err, tc.pattern)
		_, ok := l.read(tc.text)
		assert.False(t, ok, "%s: %s", tc.pattern, tc.text)
	}
	for _, pattern := range []string{"", "HH:mm", "dd.MM", "EEE dd.MM.yyyy", "dd MMM yyyy", "dd.MM.yyyy hh:mm", "dd.MM.yyyy HH:mm a h", "yyyy-MM-dd 'T", "yyyy-MM-ddTHH:mm"} {
		_, err := parseLayout(pattern)
		assert.Error(t, err, pattern)
	}
}

func FuzzLayout(f *testing.F) {
	f.Add("dd.MM.yyyy HH:mm", "05.03.2026 09:12")
	f.Add("yyyy-MM-dd'T'HH:mm:ss.SSSXXX", "2026-03-05T09:12:13.250-05:00")
	f.Add("MM/dd/yy h:mm a 'o''clock'", "03/05/26 1:05 PM o'clock")
	f.Fuzz(func(t *testing.T, pattern, text string) {
		l, err := parseLayout(pattern)
		if err != nil {
			return
		}
		got, ok := l.read(text)
		if ok && (got.IsZero() || got.Month < 1 || got.Month > 12 || got.Day < 1 || got.Day > 31 || got.Hour > 23) {
			t.Errorf("%q in %q is read as %+v", text, pattern, got)
		}
	})
}
