package main

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestPatientFrom(t *testing.T) {
	for _, tc := range []struct {
		name, in string
		want     map[string]string
	}{
		{"number alone", "40018842\n", map[string]string{"patient": "40018842"}},
		{"no line end", "40018842", map[string]string{"patient": "40018842"}},
		{"birth date behind it", "40018842 1951-04-17\r\n", map[string]string{"patient": "40018842", "birth_date": "1951-04-17"}},
		{"a number with a space", "4001 8842\n", map[string]string{"patient": "4001 8842"}},
		{"a number with a space, and the birth date", "4001 8842 1951-04-17\n", map[string]string{"patient": "4001 8842", "birth_date": "1951-04-17"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := patientFrom(strings.NewReader(tc.in))
			require.NoError(t, err)
			assert.Equal(t, tc.want, got)
		})
	}
	_, err := patientFrom(strings.NewReader("\n40018842\n"))
	assert.ErrorContains(t, err, "no patient number on standard input")
}
