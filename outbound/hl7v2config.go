package outbound

// HL7v2 is what is written for an outlet of kind hl7v2 alone.
type HL7v2 struct {
	Address string `yaml:"address"` // host:port, MLLP
	TLS     *TLS   `yaml:"tls,omitempty"`
	// Plain sends off this machine without TLS.
	Plain bool `yaml:"plain"`
	// Acknowledge: "original" waits for AA, "enhanced" for CA.
	Acknowledge string `yaml:"acknowledge"`
	// ApplicationAck: in enhanced mode AA is asked for and waited for too.
	ApplicationAck bool `yaml:"application_ack"`

	LetterConfig `yaml:",inline"`
}

// Modes of acknowledgement, HL7 2.5.1 section 2.9.
const (
	originalMode = "original"
	enhancedMode = "enhanced"
)

func (h *HL7v2) withDefaults() {
	text(&h.Acknowledge, originalMode)
	h.LetterConfig.withDefaults()
}

func (h *HL7v2) validate(say sayFault) {
	host := hostOf(h.Address)
	switch {
	case host == "":
		say("address", "is not a host and a port", "write where the receiver listens, such as lab.example:2576")
	case inTheClear(host, h.TLS, h.Plain):
		say("tls", "results would leave this machine in the clear", "write tls: {ca_file: PATH}, with cert_file and key_file if the receiver asks for a certificate; or plain: true if something else protects the line")
	}
	if h.TLS != nil && h.Plain {
		say("plain", "is true beside tls", "keep one of the two")
	}
	if h.TLS != nil {
		h.TLS.validate(say)
	}
	oneOf(say, "acknowledge", h.Acknowledge, originalMode, enhancedMode)
	if h.ApplicationAck && h.Acknowledge != enhancedMode {
		say("application_ack", "is for enhanced mode; in original mode there is no other", "write acknowledge: enhanced, or remove it")
	}
	h.LetterConfig.validate(say)
}

func (h *HL7v2) open(c Config, s Settings) (Destination, error) {
	l := &lines{dial: h.dialer(c.Timeout)}
	if h.TLS != nil {
		if _, err := h.TLS.Client(); err != nil {
			return nil, err
		}
	}
	return &hl7Receiver{letters: c.letters(s), id: c.ID, timeout: c.Timeout, application: h.ApplicationAck, lines: l}, nil
}

// asks is MSH-15 and 16, HL7 table 0155.
func (h *HL7v2) asks() (accept, application string) {
	switch {
	case h.Acknowledge != enhancedMode:
		return "", ""
	case h.ApplicationAck:
		return "AL", "AL"
	}
	return "AL", "NE"
}
