package outbound

import (
	"net/url"
	"strings"
)

// JetStream is what is written for an outlet of kind jetstream alone.
type JetStream struct {
	URL       string `yaml:"url"` // nats://host:port or tls://host:port, those of a cluster with commas between
	TLS       *TLS   `yaml:"tls,omitempty"`
	Plain     bool   `yaml:"plain"` // nats:// off this machine
	CredsFile string `yaml:"creds_file,omitempty"`
	Stream    string `yaml:"stream"`  // that must take it
	Subject   string `yaml:"subject"` // what is published under
	Payload   string `yaml:"payload"` // fhir or hl7v2

	LetterConfig `yaml:",inline"`
}

func (j *JetStream) withDefaults() {
	text(&j.Payload, payloadFHIR)
	j.LetterConfig.withDefaults()
}

func (j *JetStream) validate(say sayFault) {
	clear := false
	good := j.URL != ""
	for one := range strings.SplitSeq(j.URL, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err != nil || u.Host == "" || u.User != nil || u.Scheme != "nats" && u.Scheme != "tls" {
			good = false
			break
		}
		clear = clear || u.Scheme == "nats" && inTheClear(u.Hostname(), j.TLS, j.Plain)
	}
	switch {
	case !good:
		say("url", "is not the address of a NATS server", "write tls://host:4222, or several with commas between, without credentials: those stand in creds_file")
	case clear:
		say("url", "would carry results off this machine in the clear", "write tls://host:4222; or plain: true if something else protects the line")
	}
	if j.TLS != nil {
		j.TLS.validate(say)
	}
	if j.Stream == "" || strings.ContainsAny(j.Stream, " .*>/\\\t") {
		say("stream", "is not the name of a stream", "write a name without spaces, dots and wildcards, such as RELEASED")
	}
	if j.Subject == "" || strings.ContainsAny(j.Subject, " \t*>") {
		say("subject", "is not a subject to publish under", "write one without wildcards, such as released.results")
	}
	j.LetterConfig.validatePayload(say, j.Payload)
}

func (j *JetStream) open(c Config, s Settings) (Destination, error) {
	if j.TLS != nil {
		if _, err := j.TLS.Client(); err != nil {
			return nil, err
		}
	}
	return &queue{letters: c.letters(s), id: c.ID, timeout: c.Timeout, to: &natsStream{cfg: *j, id: c.ID, timeout: c.Timeout}}, nil
}
