package ingest_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
	"tidegate/ingest/sourcetest"
)

// A flood does not fill the store, and the next notice says how many it lacks.
func TestNoticesAreLimited(t *testing.T) {
	box := sourcetest.NewInbox()
	now := time.Date(2026, 3, 5, 9, 0, 0, 0, time.UTC)
	n := &ingest.Notices{Inlet: "millrace", Inbox: box, Log: zerolog.Nop(), Now: func() time.Time { return now }}
	for i := range 500 {
		n.Record("192.0.2.7", fmt.Sprintf("notice %d", i), []byte{byte(i)})
	}
	require.Len(t, box.Notices(), 120)
	assert.Equal(t, "millrace", box.Notices()[0].Inlet)
	assert.Equal(t, "192.0.2.7", box.Notices()[0].Peer)
	now = now.Add(time.Minute)
	n.Record("192.0.2.7", "later", nil)
	n.Record("192.0.2.7", "later still", nil)
	require.Len(t, box.Notices(), 122)
	assert.Equal(t, "later (380 notices before it were not recorded, there were too many)", box.Notices()[120].What)
	assert.Equal(t, "later still", box.Notices()[121].What)
}
