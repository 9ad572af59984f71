package hl7_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

func TestTimestamp(t *testing.T) {
	const (
		pyhl7 = "python-hl7 0.4.5 tests/test_datetime.py"
		hapi  = "HAPI CommonTSTest"
	)
	for _, c := range []struct {
		text, source string
		precision    hl7.Precision
		utc          string // with the offset sent, else taken as UTC
		offset       int    // minutes; 9999 = none sent
	}{
		{"20140311142533.0001", pyhl7, hl7.PrecisionFraction, "2014-03-11T14:25:33.0001Z", 9999},
		{"201403111412+0530", pyhl7, hl7.PrecisionMinute, "2014-03-11T08:42:00Z", 330},
		{"20140311141220-0500", pyhl7, hl7.PrecisionSecond, "2014-03-11T19:12:20Z", -300},
		{"201403111412-0030", pyhl7, hl7.PrecisionMinute, "2014-03-11T14:42:00Z", -30},
		{"201403111412-0330", "Efferent-Health/HL7-dotnetcore pull 43", hl7.PrecisionMinute, "2014-03-11T17:42:00Z", -210},
		{"19981004010159+0100", "Bugs5382/node-hl7-client#205", hl7.PrecisionSecond, "1998-10-04T00:01:59Z", 60},
		{"1984", hapi, hl7.PrecisionYear, "1984-01-01T00:00:00Z", 9999},
		{"198412", hapi, hl7.PrecisionMonth, "1984-12-01T00:00:00Z", 9999},
		{"19840131", hapi, hl7.PrecisionDay, "1984-01-31T00:00:00Z", 9999},
		{"1984010111", hapi, hl7.PrecisionHour, "1984-01-01T11:00:00Z", 9999},
		{"198401012300", hapi, hl7.PrecisionMinute, "1984-01-01T23:00:00Z", 9999},
		{"1984-0059", hapi, hl7.PrecisionYear, "1984-01-01T00:59:00Z", -59},
		{"20240305091330.25+0100", "HL7 2.5.1 section 2.A.22, four digits at most", hl7.PrecisionFraction, "2024-03-05T08:13:30.25Z", 60},
		{"20240229", "Gregorian calendar", hl7.PrecisionDay, "2024-02-29T00:00:00Z", 9999},
		{"20240305091330.123456789", "more digits than the standard has are read", hl7.PrecisionFraction, "2024-03-05T09:13:30.123456789Z", 9999},
		{"20240305+1400", "the largest offset of a FHIR R4 dateTime", hl7.PrecisionDay, "2024-03-04T10:00:00Z", 840},
	} {
		t.Run(c.text, func(t *testing.T) {
			got, err := hl7.ParseTime(c.text)
			require.NoError(t, err, c.source)
			assert.Equal(t, c.precision, got.Precision, c.source)
			assert.Equal(t, c.utc, got.In(time.UTC).UTC().Format(time.RFC3339Nano), c.source)
			assert.Equal(t, c.offset != 9999, got.HasOffset)
			if got.HasOffset {
				assert.Equal(t, c.offset, got.Offset, c.source)
			}
		})
	}
	for _, text := range []string{"", `""`} { // HAPI CommonTSTest: accepted, no time
		got, err := hl7.ParseTime(text)
		require.NoError(t, err)
		assert.True(t, got.IsZero())
		assert.True(t, got.In(time.UTC).IsZero())
	}
}

func TestTimestampRefuses(t *testing.T) {
	hapi := []string{"1", "198", "19840", "198413", "19840100", "19840132", "198401012400", "19840101000060", "1984+0060", "1984-1"} // HAPI CommonTSTest
	own := []string{"19830229", "20240431", "00001231", "2024030509133", "20240305091330.", "20240305091330.x", "20240305091330.1234567890",
		"202403050913.5", "20240305091330,5", "2024-03-05", "2024-03-05T09:13:30Z", "20240305 0913", "20240305+1401", "20240305+01:00", "20240305+01000",
		"+0100", " 20240305", "20240305 ", "２０２４", "20240305-", "20240305091330.5.5", "20240305^S"}
	for _, text := range append(hapi, own...) {
		_, err := hl7.ParseTime(text)
		if assert.Error(t, err, text) && len(text) >= 8 {
			assert.NotContains(t, err.Error(), text, "an error does not quote a value that may be a birth date")
		}
	}
}

// Clock changes from the IANA time zone database: Europe/Berlin and
// America/New_York by rule, Lord_Howe by half an hour.
func TestWallClock(t *testing.T) {
	for _, c := range []struct {
		text, zone string
		want       hl7.Clock
	}{
		{"20240331013000", "Europe/Berlin", hl7.ClockOnce},
		{"20240331023000", "Europe/Berlin", hl7.ClockNever},
		{"20240331030000", "Europe/Berlin", hl7.ClockOnce},
		{"20241027013000", "Europe/Berlin", hl7.ClockOnce},
		{"20241027020000", "Europe/Berlin", hl7.ClockTwice},
		{"20241027025959", "Europe/Berlin", hl7.ClockTwice},
		{"20241027030000", "Europe/Berlin", hl7.ClockOnce},
		{"20241103013000", "America/New_York", hl7.ClockTwice},
		{"20241103003000", "America/New_York", hl7.ClockOnce},
		{"20240310023000", "America/New_York", hl7.ClockNever},
		{"20240407014500", "Australia/Lord_Howe", hl7.ClockTwice},
		{"20240407012500", "Australia/Lord_Howe", hl7.ClockOnce},
		{"20241006021500", "Australia/Lord_Howe", hl7.ClockNever},
		{"20240705120000", "UTC", hl7.ClockOnce},
	} {
		loc, err := time.LoadLocation(c.zone)
		require.NoError(t, err)
		got, err := hl7.ParseTime(c.text)
		require.NoError(t, err)
		assert.Equal(t, c.want, got.Wall(loc), "%s in %s", c.text, c.zone)
	}
}
