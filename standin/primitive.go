package standin

import (
	"regexp"
	"strings"
	"time"
)

// Lexical forms of hl7.org/fhir/R4/datatypes.html. A dateTime with a time has
// seconds and an offset; an instant always has both.
var (
	idText      = regexp.MustCompile(`^[A-Za-z0-9\-.]{1,64}$`)
	codeText    = regexp.MustCompile(`^[^\s]+( [^\s]+)*$`)
	dateText    = regexp.MustCompile(`^\d{4}(-\d\d(-\d\d)?)?$`)
	instantText = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$`)
	timeText    = regexp.MustCompile(`^([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?$`)
	wholeText   = regexp.MustCompile(`^-?(0|[1-9]\d*)$`)
	base64Text  = regexp.MustCompile(`^[A-Za-z0-9+/=\s]+$`)
)

func (x *examined) primitive(v *node, e *element, at string) {
	switch e.typ {
	case "boolean":
		if v.kind != isBool {
			x.say("structure", at, "true or false belongs here")
		}
		return
	case "decimal":
		if v.kind != isNumber {
			x.say("structure", at, "a JSON number belongs here")
		}
		return
	case "integer", "positiveInt", "unsignedInt":
		if v.kind != isNumber || !wholeText.MatchString(v.text) {
			x.say("structure", at, "a whole number belongs here")
		}
		return
	}
	if v.kind != isString {
		x.say("structure", at, "a text belongs here")
		return
	}
	if strings.TrimSpace(v.text) == "" {
		x.say("value", at, "a text is not empty")
		return
	}
	if !lexical(e.typ, v.text) {
		x.say("value", at, "not written as a %s is", e.typ)
		return
	}
	if e.set != "" && !sets[e.set][v.text] {
		x.say("code-invalid", at, "not in the required set %s", e.set)
	}
}

func lexical(typ, s string) bool {
	switch typ {
	case "code":
		return codeText.MatchString(s)
	case "id":
		return idText.MatchString(s)
	case "uri", "url", "canonical", "uuid":
		return !strings.ContainsAny(s, " \t\r\n")
	case "date":
		return isDate(s)
	case "dateTime":
		return isDate(s) || isInstant(s)
	case "instant":
		return isInstant(s)
	case "time":
		return timeText.MatchString(s)
	case "base64Binary":
		return base64Text.MatchString(s)
	}
	return true
}

func isDate(s string) bool {
	if !dateText.MatchString(s) {
		return false
	}
	layout := "2006-01-02"
	_, err := time.Parse(layout[:len(s)], s)
	return err == nil
}

func isInstant(s string) bool {
	if !instantText.MatchString(s) {
		return false
	}
	_, err := time.Parse(time.RFC3339Nano, s)
	return err == nil
}
