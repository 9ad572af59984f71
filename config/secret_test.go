package config_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"tidegate/config"
)

func TestSecretShowsNowhere(t *testing.T) {
	path := filepath.Join(t.TempDir(), "token")
	require.NoError(t, os.WriteFile(path, []byte("CANARY-1\n"), 0o600))
	s, err := config.ReadSecret(path)
	require.NoError(t, err)
	require.Equal(t, "CANARY-1", s.Reveal())

	token := config.Token{Actor: "r.ito", Secret: s}
	var out bytes.Buffer
	for _, format := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%d"} {
		fmt.Fprintf(&out, format, s)
		fmt.Fprintf(&out, format, &s)
		fmt.Fprintf(&out, format, token)
	}
	j, err := json.Marshal(map[string]any{"s": s, "t": token})
	require.NoError(t, err)
	y, err := yaml.Marshal(token)
	require.NoError(t, err)
	out.Write(j)
	out.Write(y)
	log := zerolog.New(&out)
	log.Info().Interface("secret", s).Interface("token", token).Object("object", s).Stringer("stringer", s).Send()
	require.NotContains(t, out.String(), "CANARY")
	require.NotContains(t, out.String(), fmt.Sprintf("%x", "CANARY"))
	require.Contains(t, out.String(), "(secret)")
}

func TestReadSecretRefuses(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
		require.NoError(t, os.Chmod(path, mode))
		return path
	}
	pipe := filepath.Join(dir, "pipe")
	require.NoError(t, syscall.Mkfifo(pipe, 0o600))
	for _, tt := range []struct{ name, path, want string }{
		{"group may read", write("a", "CANARY", 0o640), "may be read by others than its owner"},
		{"all may read", write("b", "CANARY", 0o604), "may be read by others than its owner"},
		{"empty", write("c", " \n", 0o600), "is empty"},
		{"two lines", write("d", "CANARY\nCANARY\n", 0o600), "holds more than one line"},
		{"large", write("e", strings.Repeat("CANARY", 5000), 0o600), "holds more than 16 KiB"},
		{"folder", dir, "is not a file"},
		{"pipe", pipe, "is not a file"},
		{"missing", filepath.Join(dir, "none"), "no such file"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := config.ReadSecret(tt.path)
			require.ErrorContains(t, err, tt.want)
			require.NotContains(t, err.Error(), "CANARY")
		})
	}
	s, err := config.ReadSecret(write("f", "word\n", 0o400))
	require.NoError(t, err)
	require.Equal(t, "word", s.Reveal())
}
