package outbound

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"tidegate/mapping"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// Payloads of the kinds of outlet that can carry either.
const (
	payloadFHIR  = "fhir"
	payloadHL7v2 = "hl7v2"
)

// LetterConfig is what is written for receivers that are sent whole results
// and answer with no ids: how those are written down.
type LetterConfig struct {
	Message              string              `yaml:"message"` // ORU^R01 or ORU^R30
	SendingApplication   string              `yaml:"sending_application"`
	SendingFacility      string              `yaml:"sending_facility"`
	ReceivingApplication string              `yaml:"receiving_application"`
	ReceivingFacility    string              `yaml:"receiving_facility"`
	PatientType          string              `yaml:"patient_type"` // CX.5 of the patient's identifier, MR
	Codes                map[string][]string `yaml:"codes"`        // LOINC code -> [code, text, coding system]
	Units                map[string]string   `yaml:"units"`        // UCUM code -> what is sent instead
	Service              []string            `yaml:"service"`      // OBR-4
	StripLot             string              `yaml:"strip_lot"`    // note, obx or none
	StripLotCode         []string            `yaml:"strip_lot_code"`
}

func (l *LetterConfig) withDefaults() {
	text(&l.Message, mapping.Unsolicited)
	text(&l.SendingApplication, "TIDEGATE")
	text(&l.PatientType, "MR")
	text(&l.StripLot, mapping.LotInNote)
}

// validate checks the keys of HL7 v2 messages.
func (l *LetterConfig) validate(say sayFault) {
	oneOf(say, "message", l.Message, mapping.Unsolicited, mapping.Announcing)
	oneOf(say, "strip_lot", l.StripLot, mapping.LotInNote, mapping.LotInOBX, mapping.LotNowhere)
	for _, loinc := range slices.Sorted(maps.Keys(l.Codes)) {
		coded(say, "codes."+loinc, l.Codes[loinc])
	}
	for _, unit := range slices.Sorted(maps.Keys(l.Units)) {
		if l.Units[unit] == "" {
			say("units."+unit, "has nothing to be sent instead", "write the receiver's word for it, such as INR")
		}
	}
	if l.Service != nil {
		coded(say, "service", l.Service)
	}
	if l.StripLotCode != nil {
		coded(say, "strip_lot_code", l.StripLotCode)
	}
}

// validatePayload checks the keys of an outlet that carries either form.
func (l *LetterConfig) validatePayload(say sayFault, payload string) {
	oneOf(say, "payload", payload, payloadFHIR, payloadHL7v2)
	if payload != payloadFHIR {
		l.validate(say)
		return
	}
	plain := LetterConfig{}
	plain.withDefaults()
	if l.Message != plain.Message || l.SendingFacility+l.ReceivingApplication+l.ReceivingFacility != "" || l.SendingApplication != plain.SendingApplication ||
		l.PatientType != plain.PatientType || len(l.Codes) > 0 || l.Service != nil || l.StripLot != plain.StripLot || l.StripLotCode != nil {
		say("payload", "is fhir, but keys of HL7 v2 messages stand beside it", "write payload: hl7v2, or remove them; only units is for both")
	}
	for _, unit := range slices.Sorted(maps.Keys(l.Units)) {
		if unit != "{INR}" || l.Units[unit] != "1" {
			say("units."+unit, "is no choice that FHIR has", `write {"{INR}": "1"}, or remove it`)
		}
	}
}

// coded tells of a code that is not written out.
func coded(say sayFault, key string, c []string) {
	if len(c) != 3 || c[0] == "" || c[2] == "" {
		say(key, "is not a code, its text and its coding system", "write three texts, such as [34714-6, INR, LN]")
	}
}

// letters writes results for receivers that answer with no ids. It looks up
// nothing: what stands at the other side is what was sent there, in order.
type letters struct {
	outlet            string
	payload           string
	cfg               LetterConfig
	accept, applicant string // MSH-15 and 16
	s                 Settings
}

// Prepare writes a delivery down. Its ids are the same however often it is
// written and sent.
func (l *letters) Prepare(_ context.Context, d poct.Delivery) ([]byte, map[string]string, Answered) {
	if d.Unsure && d.Action == poct.Create {
		d.Action = poct.Correct // an earlier version may be there: this one takes its place
	}
	var body []byte
	var err error
	if l.payload == payloadFHIR {
		system := l.s.Systems[d.Result.Patient.Authority]
		if system == "" {
			return nil, nil, Answered{Class: Configuration, Problem: problemNoSystem(l.outlet)}
		}
		patient := "Patient?" + fhir.Identifier{System: system, Value: d.Result.Patient.ID}.Query()
		body, err = mapping.Bundle(d.Result, d.Action, mapping.IDs{Patient: patient, Remote: d.Remote},
			mapping.Options{Unanswered: true, INRUnit: l.cfg.Units["{INR}"]})
	} else {
		body, err = mapping.ORU(d.Result, d.Action, d.Remote, l.options(d))
	}
	if err != nil {
		l.s.Log.Error().Str("result", d.Result.ID).Err(err).Msg("result not rendered")
		return nil, nil, Answered{Class: Refused, Problem: problemUnrendered(l.outlet)}
	}
	return body, l.named(d), Answered{Class: Done}
}

func (l *letters) options(d poct.Delivery) mapping.ORUOptions {
	return mapping.ORUOptions{
		Message: l.cfg.Message, ControlID: mapping.MessageID(d),
		Sender:    mapping.Party{Application: l.cfg.SendingApplication, Facility: l.cfg.SendingFacility},
		Receiver:  mapping.Party{Application: l.cfg.ReceivingApplication, Facility: l.cfg.ReceivingFacility},
		AcceptAck: l.accept, ApplicationAck: l.applicant, PatientType: l.cfg.PatientType,
		Codes: l.cfg.Codes, Units: l.cfg.Units, Service: l.cfg.Service, LotIn: l.cfg.StripLot, LotCode: l.cfg.StripLotCode,
	}
}

// named is what the receiver knows the parts of a delivery by. A later version
// finds in it which values were sent before.
func (l *letters) named(d poct.Delivery) map[string]string {
	out := map[string]string{"message": mapping.MessageID(d)}
	if l.payload == payloadFHIR {
		for _, m := range d.Result.Reading.Measurements {
			out["observation/"+m.Analyte] = "Observation/" + mapping.StableID(d.Result, m.Analyte).String()
		}
		out["diagnosticreport"] = "DiagnosticReport/" + mapping.StableID(d.Result, "report").String()
		out["specimen"] = "Specimen/" + mapping.StableID(d.Result, "specimen").String()
		return out
	}
	filler := mapping.FillerNumber(d.Result)
	out["order"] = filler
	for _, m := range d.Result.Reading.Measurements {
		out["observation/"+m.Analyte] = filler + "-" + m.Analyte
	}
	return out
}

// Find has nobody to ask. Sending again is safe: the bytes and their name are
// the same, and whoever has them drops them or writes the same once more.
func (l *letters) Find(context.Context, poct.Delivery) Answered { return Answered{Class: Absent} }

// Refresh has nothing to ask.
func (l *letters) Refresh(context.Context) error { return nil }

// SignInAgain has no word that could have changed: files are read anew at each
// connection.
func (l *letters) SignInAgain() (bool, error) { return false, nil }

// name is what a delivery is called at the receiver, as it was committed: the
// same even if how names are made should change.
func name(d poct.Delivery) string {
	if id := d.Remote["message"]; id != "" {
		return id
	}
	return mapping.MessageID(d)
}

// suffix of files that hold this payload.
func (l *letters) suffix() string {
	if l.payload == payloadFHIR {
		return ".json"
	}
	return ".hl7"
}

// mediaType of the payload.
func (l *letters) mediaType() string {
	if l.payload == payloadFHIR {
		return "application/fhir+json"
	}
	return "x-application/hl7-v2+er7"
}

// Preview is what an outlet of another kind than FHIR would be sent, for a dry
// run. ok is false for FHIR, whose bytes rest on the record system's own ids.
func Preview(c Config, s Settings, d poct.Delivery) (body []byte, ok bool, err error) {
	c = c.WithDefaults()
	l := c.letters(s)
	if l == nil {
		return nil, false, nil
	}
	body, _, a := l.Prepare(context.Background(), d)
	if a.Class != Done {
		why := string(a.Class)
		if a.Problem != nil {
			why = strings.TrimSuffix(a.Problem.Text, ".")
		}
		return nil, true, fmt.Errorf("outlet %s: %s", c.ID, why)
	}
	return body, true, nil
}

// letters is the writer of an outlet's kind, nil for those that write for
// themselves.
func (c *Config) letters(s Settings) *letters {
	l := &letters{outlet: c.ID, payload: payloadHL7v2, accept: "NE", applicant: "NE", s: s}
	switch c.Kind {
	case "hl7v2":
		l.cfg = c.HL7v2.LetterConfig
		l.accept, l.applicant = c.HL7v2.asks()
	case "jetstream":
		l.cfg, l.payload = c.JetStream.LetterConfig, c.JetStream.Payload
	case "folder":
		l.cfg, l.payload = c.Folder.LetterConfig, c.Folder.Payload
	default:
		return nil
	}
	return l
}
