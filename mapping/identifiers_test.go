package mapping

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
)

// Our version 5 is the library's; the library's is RFC 9562's, whose appendix
// A.4 gives the value for www.example.com in the DNS name space.
func TestVersion5(t *testing.T) {
	assert.Equal(t, "2ed6657d-e927-568b-95e1-2665a8aea6a2", uuid.NewSHA1(uuid.NameSpaceDNS, []byte("www.example.com")).String())
	for _, name := range []string{"", "a", "https://tidegate.example/r/Österlund|", strings.Repeat("long ", 100)} {
		want := uuid.NewSHA1(uuid.NameSpaceURL, []byte(name))
		assert.Equal(t, want, version5(name))
		half := len(name) / 2
		assert.Equal(t, want, version5(name[:half], "", name[half:]), "however it is divided")
	}
}
