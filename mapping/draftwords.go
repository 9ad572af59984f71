package mapping

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// errorForm is how error codes of meters commonly look (common practice, no source).
var errorForm = regexp.MustCompile(`^[A-Z]{1,6}[-_ ]?[0-9]{1,4}$`)

// shape shows what a text looks like without what it says: 9 for each digit, A
// and a for letters.
func shape(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsDigit(r):
			return '9'
		case unicode.IsUpper(r):
			return 'A'
		case unicode.IsLetter(r):
			return 'a'
		}
		return r
	}, s)
}

// words divides a name at signs and where small letters become capitals.
func words(name string) []string {
	var b strings.Builder
	runes := []rune(name)
	for i, r := range runes {
		if unicode.IsUpper(r) && i > 0 && unicode.IsLower(runes[i-1]) {
			b.WriteByte(' ')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return strings.FieldsFunc(b.String(), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

func anyOf(list []string, of ...string) bool {
	return slices.ContainsFunc(list, func(w string) bool { return slices.Contains(of, w) })
}

// meaning is what the name of a place seems to say it holds.
type meaning struct {
	field string
	// sure is smaller for a name that says it less clearly.
	sure int
}

// meaningOf guesses by words that makers commonly use (common practice, no
// source). It is a guess to begin with; a person decides.
func meaningOf(name string) meaning {
	w := words(name)
	has := func(of ...string) bool { return anyOf(w, of...) }
	ends := func(end string) bool {
		return slices.ContainsFunc(w, func(x string) bool { return strings.HasSuffix(x, end) && x != "clot" })
	}
	control := has("ctrl", "control", "qc", "ctl")
	switch {
	case has("unit", "units", "uom"):
		return meaning{"unit", 2}
	case control && (ends("lot") || has("batch")):
		return meaning{"control_lot", 3}
	case has("level", "lvl", "lev", "ctrllevel"), control && has("lv"):
		return meaning{"control_level", 2}
	case has("exp", "expiry", "expires", "expiration", "stripexp"):
		return meaning{"strip_expires", 2}
	case ends("lot"), has("batch"):
		return meaning{"strip_lot", 3}
	case has("haematocrit", "hematocrit", "hct"):
		return meaning{"haematocrit", 3}
	case has("check", "onboard", "selftest", "stripcheck", "integrity"):
		return meaning{"onboard", 2}
	case has("strip", "reagent", "cartridge"):
		return meaning{"strip_lot", 1}
	case has("error", "err", "errorcode", "fault"):
		return meaning{"error", 2}
	case has("birth", "dob", "born", "birthdate", "birthday"):
		return meaning{"birth_date", 3}
	case has("family", "surname", "lastname") || has("last") && has("name"):
		return meaning{"family", 3}
	case has("given", "forename", "firstname") || has("first") && has("name"):
		return meaning{"given", 3}
	case has("sex", "gender"):
		return meaning{"sex", 3}
	case has("visit", "encounter"):
		return meaning{"visit", 2}
	case has("patient", "pat", "patid", "patientid", "mrn", "subject"):
		switch {
		case has("name"):
			return meaning{}
		case has("id", "mrn", "patid", "patientid", "no", "number", "nr"):
			return meaning{"patient", 3}
		}
		return meaning{"patient", 2}
	case has("operator", "operatorid", "user", "userid", "nurse", "performer", "performed", "by", "op"):
		return meaning{"operator", 2}
	case has("inr"):
		return meaning{"inr", 3}
	case has("pt", "pts", "seconds", "sec", "prothrombin", "quicktime"):
		return meaning{"pt", 2}
	case has("asked", "prompt", "prompted"):
		return meaning{"asked_at", 2}
	case has("sampled", "applied", "collected", "sampletime"):
		return meaning{"sampled_at", 2}
	case has("duration", "runtime") || has("run") && has("time"):
		return meaning{"run_time", 2}
	case has("sent", "exported", "created"):
		return meaning{"sent_at", 2}
	case has("time", "date", "tested", "measured", "timestamp", "datetime", "at", "when"):
		return meaning{"tested_at", 2}
	case has("serial", "sn", "serialno", "serialnumber"):
		return meaning{"meter", 3}
	case has("meter", "device", "instrument", "analyzer", "analyser"):
		return meaning{"meter", 2}
	case has("order"):
		return meaning{"order", 2}
	case has("seq", "sequence", "no", "nr", "number", "testno", "record", "counter"):
		return meaning{"sequence", 2}
	case has("status"):
		return meaning{"status", 1}
	case has("note", "notes", "comment", "comments", "interference", "remark", "remarks"):
		return meaning{"interference", 1}
	case has("type", "kind", "category", "sampletype", "mode", "class"):
		return meaning{"kind", 2}
	}
	return meaning{}
}

// controlWords mark a control where a place says what was measured on.
var controlWords = []string{"qc", "control", "ctrl", "ctl", "con", "c", "q", "lqc", "k"}

func isControlWord(s string) bool { return slices.Contains(controlWords, strings.ToLower(s)) }

// layouts are ways of writing times and dates, those that the day and the month
// could be swapped in beside each other; "" is ISO 8601.
var layouts = []string{
	"", "dd.MM.yyyy HH:mm:ss", "dd.MM.yyyy HH:mm", "dd/MM/yyyy HH:mm:ss", "MM/dd/yyyy HH:mm:ss", "dd/MM/yyyy HH:mm", "MM/dd/yyyy HH:mm",
	"dd-MM-yyyy HH:mm:ss", "MM-dd-yyyy HH:mm:ss", "dd-MM-yyyy HH:mm", "MM-dd-yyyy HH:mm", "dd/MM/yyyy hh:mm a", "MM/dd/yyyy hh:mm a",
	"d.M.yyyy H:mm", "d/M/yyyy H:mm", "M/d/yyyy H:mm", "M/d/yyyy h:mm a", "d/M/yyyy h:mm a", "yyyy/MM/dd HH:mm:ss", "yyyy/MM/dd HH:mm",
	"yyyyMMddHHmmss", "yyyyMMddHHmm", "yyyyMMdd", "dd.MM.yyyy", "dd/MM/yyyy", "MM/dd/yyyy", "dd-MM-yyyy", "MM-dd-yyyy", "MM/yyyy", "MM.yyyy",
}

// layoutsFor lists the layouts that read every one of the texts.
func layoutsFor(texts []string) []string {
	var out []string
	for _, pattern := range layouts {
		var l layout
		if pattern != "" {
			var err error
			if l, err = parseLayout(pattern); err != nil {
				panic(err) // constants
			}
		}
		if len(texts) > 0 && !slices.ContainsFunc(texts, func(s string) bool { _, err := readTime(s, l, formatCSV); return err != nil }) {
			out = append(out, pattern)
		}
	}
	return out
}
