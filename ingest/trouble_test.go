package ingest_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/ingest"
)

func TestTroubleIsToldOnce(t *testing.T) {
	var log bytes.Buffer
	trouble := ingest.Trouble{Log: zerolog.New(&log), Begins: "it waits", Ends: "it goes on"}
	for _, err := range []error{nil, errors.New("full"), errors.New("full"), errors.New("away"), nil, nil, errors.New("full")} {
		trouble.Is(err)
	}
	require.Equal(t, []string{
		`{"level":"warn","error":"full","message":"it waits"}`,
		`{"level":"warn","error":"away","message":"it waits"}`,
		`{"level":"info","message":"it goes on"}`,
		`{"level":"warn","error":"full","message":"it waits"}`,
	}, strings.Split(strings.TrimSpace(log.String()), "\n"))
}
