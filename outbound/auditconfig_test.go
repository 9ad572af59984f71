package outbound

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestAuditConfig(t *testing.T) {
	tests := []struct {
		name  string
		audit Audit
		keys  []string // at fault
	}{
		{"none", Audit{}, nil},
		{"address alone", Audit{BaseURL: "https://audit.example/fhir"}, nil},
		{"signed in", Audit{BaseURL: "https://audit.example/fhir", Auth: Auth{Kind: "bearer", TokenFile: "s/audit"}}, nil},
		{"http beyond loopback", Audit{BaseURL: "http://audit.example/fhir"}, []string{"audit.base_url"}},
		{"no token", Audit{BaseURL: "https://audit.example/fhir", Auth: Auth{Kind: "bearer"}}, []string{"audit.auth.token_file"}},
		{"sign-in without address", Audit{Auth: Auth{Kind: "bearer", TokenFile: "s/audit"}}, []string{"audit.base_url"}},
		{"key without certificate", Audit{BaseURL: "https://audit.example/fhir", TLS: TLS{KeyFile: "k"}}, []string{"audit.tls.cert_file"}},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			c := Config{ID: "record", Sites: []string{"*"}, FHIR: FHIR{BaseURL: "https://record.example/fhir", Audit: tc.audit}}
			var keys []string
			for _, f := range c.Validate() {
				keys = append(keys, f.Key)
			}
			assert.Equal(t, tc.keys, keys)
			at, ok := c.WithDefaults().AuditAt()
			assert.Equal(t, tc.audit.BaseURL != "", ok)
			assert.Equal(t, tc.audit.BaseURL, at.FHIR.BaseURL)
		})
	}
	smart := Config{FHIR: FHIR{Audit: Audit{BaseURL: "https://audit.example/fhir", Auth: Auth{Kind: "smart"}}}}
	at, _ := smart.WithDefaults().AuditAt()
	assert.Equal(t, "system/AuditEvent.c", at.FHIR.Auth.Scope, "no more than is needed")
}
