package validate

import (
	"maps"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"tidegate/poct"
)

var identityChecks = []check{
	{
		Info: Info{
			Number: "6", Code: "patient-unknown", Title: "Patient is not in the registry",
			Asks:     "whether the patient is known",
			Compares: "the identifier as sent against the patients of the registry",
			Text:     "The patient identifier is not in the registry.",
			Remedy:   "Read the identifier from the wristband or card and correct it, or register the patient and read the arrival again.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: patient | comparison, ask: askPatientKnown,
	},
	{
		Info: Info{
			Number: "7", Code: "patient-ambiguous", Title: "Identifier fits more than one patient",
			Asks:     "whether the identifier means one patient",
			Compares: "the number of matching patients, after merged identifiers are followed",
			Text:     "The identifier fits {n} patients.",
			Remedy:   "Correct the identifier so that it names the assigning authority too.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
		},
		of: patient | comparison, ask: askPatientOne,
	},
	{
		Info: Info{
			Number: "8", Code: "second-identifier-conflict", Title: "Second identifier does not fit",
			Asks:     "whether a second identifier fits",
			Compares: "birth date, and the name where both have one, leaving case and accents aside",
			Text:     "The {what} that the meter sent is not the one in the registry.",
			Remedy:   "Ask the patient for name and birth date. Correct the identifier, or the second identifier if that was typed wrongly.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer,
			Unasked: "the meter profile lists birth_date under not_sent",
		},
		of: patient | comparison, needs: []string{poct.FieldBirthDate}, ask: askSecondIdentifier,
	},
	{
		Info: Info{
			Number: "9", Code: "patient-not-present", Title: "No visit at the time of the test",
			Asks:     "whether the patient was here",
			Compares: "the time of the test against the patient's visits",
			Text:     "No visit of this patient is known within {limit} of the test.",
			Remedy:   "Check that the result belongs to this patient.",
			Severity: poct.Flag, Acts: "CR", Desk: RoleReviewer, Source: ownDefault,
			Keys:    []Key{{Name: "limit", Kind: Duration, Default: "12h", Means: "how far from a visit a test may lie; at most 12h"}},
			Unasked: "it needs visits in the registry, so it is asked only where checks.patient-not-present is set",
		},
		of: patient, optIn: true, ask: askPresent,
		fits: func(k *rule) (string, string) {
			if k.spans["limit"] > 12*time.Hour {
				return "visits are looked up 12 hours around a test", "write a limit of 12h or less"
			}
			return "", ""
		},
	},
	{
		Info: Info{
			Number: "9a", Code: codeOrder, Title: "No order asks for the test",
			Asks:     "whether an order asked for the test",
			Compares: "the order number that the meter sent, else patient, code, site and time, against the open orders",
			Text:     "No open order of this patient fits the test.",
			Remedy:   "Check that the test belongs to this patient and is wanted. Place an order, or release the result without one.",
			Severity: poct.Flag, Acts: "CRD", Desk: RoleReviewer, Source: ownDefault,
			Keys: []Key{
				{Name: "choice", Kind: Choice, Default: choicePost, Options: []string{choicePost, choiceHold, choiceAnnounce},
					Means: "what becomes of a result without an order: post sends it like any other, hold stops it, announce sends it and has an hl7v2 outlet ask the receiver to place an order (ORU^R30)"},
				{Name: "window", Kind: Duration, Default: "24h", Means: "how long before the test an order may have been placed, where the meter sends no number; one for all sites"},
				{Name: "codes", Kind: Texts, Means: "codes of orders for this test; if left out, those of what was measured; one list for all sites"},
			},
			Unasked: "it needs orders, so it is asked only where checks.order-missing is set",
		},
		of: patient, optIn: true, ask: askOrdered,
	},
	{
		Info: Info{
			Number: "10", Code: "id-check-digit", Title: "Identifier has the wrong form",
			Asks:     "whether the identifier has its form",
			Compares: "form and check digit of the identifier, for each assigning authority",
			Text:     "The patient identifier {what}.",
			Remedy:   "Read the identifier from the wristband or card and correct it.",
			Severity: poct.Hold, Acts: "CD", Desk: RoleReviewer, Source: "misread bar codes can give another patient's identifier: Clin Chem 2010;56:1554",
			Keys:    []Key{{Name: "authorities", Kind: IDForms, Means: "assigning authority -> form (a regular expression of the whole identifier) and scheme (mod10 or mod11)"}},
			Unasked: "no form is set for the assigning authority under checks.id-check-digit",
		},
		of: patient | comparison, optIn: true, ask: askForm,
	},
	{
		Info: Info{
			Number: "11", Code: "test-patient", Title: "Training or test patient",
			Asks:     "whether this is a real patient",
			Compares: "the identifier against a list of training and test identifiers",
			Text:     "The patient identifier is on the list of test patients.",
			Remedy:   "Discard it, unless the identifier was scanned by mistake: then repeat the test under the right one.",
			Severity: poct.Hold, Acts: "D", Desk: RoleReviewer, Source: "no default; a list of the site",
			Keys:    []Key{{Name: "ids", Kind: Texts, Means: "identifiers, or authority|identifier"}},
			Unasked: "no test patients are listed under checks.test-patient",
		},
		of: patient | comparison, optIn: true, ask: askTestPatient,
	},
}

func askPatientKnown(s *subject, k *rule) reply {
	switch {
	case s.r.Patient.ID == "":
		return k.waits("missing-essential")
	case len(s.f.Patients) > 0:
		return pass
	case s.f.PatientSource == "record":
		return found(poct.FieldPatient, "The record system has no active patient under this identifier.").
			but("Read the identifier from the wristband or card and correct it, or have the patient registered there and read the arrival again.")
	case s.f.RegistryEmpty:
		return k.found(poct.FieldPatient).but("The registry has no rows yet. Import it, then read the arrival again.")
	}
	return k.found(poct.FieldPatient)
}

func askPatientOne(s *subject, k *rule) reply {
	switch {
	case s.r.Patient.ID == "":
		return k.waits("missing-essential")
	case len(s.f.Patients) > 1:
		return k.found(poct.FieldPatient, "n", itoa(len(s.f.Patients)))
	case len(s.f.Patients) == 1 && s.f.Patient == nil:
		return found(poct.FieldPatient, "The identifier was merged into another one, and that does not lead to a patient.").
			but("Mend the merge in the registry, then read the arrival again.")
	}
	return pass
}

func askSecondIdentifier(s *subject, k *rule) reply {
	p := s.f.Patient
	if p == nil {
		return k.waits(s.patientWaits())
	}
	out := pass
	switch {
	case s.r.BirthDate == "":
		out = k.unsure(poct.FieldBirthDate, "the meter sent no birth date", "Ask the patient for the birth date and correct it here.")
	case p.BirthDate == "":
		out = k.unsure(poct.FieldBirthDate, "the registry has no birth date", "Enter the birth date in the registry, then read the arrival again.")
	case s.r.BirthDate != p.BirthDate:
		out = k.found(poct.FieldBirthDate, "what", "birth date")
	}
	if s.r.Family != "" && p.Family != "" && !sameName(s.r.Family, p.Family) {
		out = out.and(k.found(poct.FieldFamily, "what", "family name"))
	}
	if s.r.Given != "" && p.Given != "" && !sameGiven(s.r.Given, p.Given) {
		out = out.and(k.found(poct.FieldGiven, "what", "given name"))
	}
	return out
}

func askPresent(s *subject, k *rule) reply {
	limit := k.spans["limit"]
	switch v := s.f.Visit; {
	case s.timeWaits != "":
		return k.waits(s.timeWaits)
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	case v == nil || v.Start.Sub(s.tested) > limit || !v.End.IsZero() && s.tested.Sub(v.End) > limit:
		return k.found(poct.FieldVisit, "limit", span(limit))
	}
	return pass
}

// What becomes of a result without an order.
const (
	codeOrder      = "order-missing"
	choicePost     = "post"
	choiceHold     = "hold"
	choiceAnnounce = "announce"
)

// askOrdered never chooses among several orders. Where the site posts without an
// order, only that doubt is told.
func askOrdered(s *subject, k *rule) reply {
	var out reply
	switch {
	case s.f.Patient == nil:
		return k.waits(s.patientWaits())
	case s.f.Order != nil:
		return pass
	case len(s.f.Orders) > 1:
		out = found(poct.FieldOrder, itoa(len(s.f.Orders))+" open orders of this patient fit the test, so it is filed under none.").
			but("Name the order's number under order, or file it in the record.")
	case s.r.Order == "" && k.choices["choice"] != choiceHold:
		return pass
	default:
		out = k.found(poct.FieldOrder)
	}
	if k.choices["choice"] == choiceHold {
		for i := range out.problems {
			out.problems[i].Severity = poct.Hold
		}
	}
	return out
}

// Orders says how open orders are looked for: how long before the test, and by
// which codes. The window is zero where no site asks about orders.
func (ru *Rules) Orders() (window time.Duration, codes []string) {
	for _, rules := range append([][]*rule{ru.base}, slices.Collect(maps.Values(ru.sites))...) {
		if k := rules[place[codeOrder]]; k.unaskedEverywhere() == "" {
			window = max(window, k.spans["window"])
			for _, c := range k.texts["codes"] {
				if !slices.Contains(codes, c) {
					codes = append(codes, c)
				}
			}
		}
	}
	slices.Sort(codes)
	return window, codes
}

// announces tells whether a result that nobody ordered is to be announced.
func (ru *Rules) announces(s *subject) bool {
	k := ru.at(s.site)[place[codeOrder]]
	return k.unaskedEverywhere() == "" && k.choices["choice"] == choiceAnnounce && s.kind == patient &&
		s.r.Order == "" && s.f.Order == nil && len(s.f.Orders) == 0
}

func askForm(s *subject, k *rule) reply {
	id := s.r.Patient.ID
	if id == "" {
		return k.waits("missing-essential")
	}
	f, ok := k.forms[s.r.Patient.Authority]
	switch {
	case !ok:
		return k.unasked(k.Unasked)
	case f.form != nil && !f.form.MatchString(id):
		return k.found(poct.FieldPatient, "what", "does not have the form of its assigning authority")
	case f.check != nil && !f.check(id):
		return k.found(poct.FieldPatient, "what", "has a wrong check digit ("+f.scheme+")")
	}
	return pass
}

func askTestPatient(s *subject, k *rule) reply {
	if s.r.Patient.ID == "" {
		return k.waits("missing-essential")
	}
	if listed(k.texts["ids"], s.r.Patient) {
		return k.found(poct.FieldPatient)
	}
	return pass
}

// patientWaits names the problem that leaves the patient unknown.
func (s *subject) patientWaits() string {
	switch {
	case s.r.Patient.ID == "":
		return "missing-essential"
	case len(s.f.Patients) == 0:
		return "patient-unknown"
	}
	return "patient-ambiguous"
}

// listed finds an identifier in a list of "id" or "authority|id".
func listed(ids []string, p poct.PatientRef) bool {
	return slices.ContainsFunc(ids, func(id string) bool {
		return strings.EqualFold(id, p.ID) || strings.EqualFold(id, p.Authority+"|"+p.ID)
	})
}

// idForm is what identifiers of one assigning authority look like.
type idForm struct {
	form   *regexp.Regexp
	scheme string
	check  func(id string) bool
}

// schemes are the check digit schemes by their configured name.
var schemes = map[string]func(string) bool{"mod10": mod10, "mod11": mod11}

// mod10 checks a last digit by the Luhn formula (ISO/IEC 7812-1, annex B).
func mod10(id string) bool {
	sum, double := 0, false
	for i := len(id) - 1; i >= 0; i-- {
		if id[i] < '0' || id[i] > '9' {
			return false
		}
		d := int(id[i] - '0')
		if double {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum, double = sum+d, !double
	}
	return len(id) > 1 && sum%10 == 0
}

// mod11 checks a last digit with weights 2, 3, 4 ... from the right, as for
// ten-digit NHS numbers (NHS Data Dictionary, NHS NUMBER): 11 counts as 0, and
// a number that would need 10 is never issued.
func mod11(id string) bool {
	sum := 0
	for i := 0; i < len(id)-1; i++ {
		if id[i] < '0' || id[i] > '9' {
			return false
		}
		sum += int(id[i]-'0') * (len(id) - i)
	}
	return len(id) > 1 && int(id[len(id)-1])-'0' == (11-sum%11)%11
}

// sameName compares two names as people write them: case, accents, hyphens and
// spaces do not count, and ä may be written a or ae.
func sameName(a, b string) bool {
	return strings.EqualFold(a, b) || fold(a, plainFold) == fold(b, plainFold) || fold(a, germanFold) == fold(b, germanFold)
}

// sameGiven compares given names: one may leave out further names, or give an
// initial.
func sameGiven(a, b string) bool {
	if sameName(a, b) {
		return true
	}
	x, y := strings.FieldsFunc(a, gap), strings.FieldsFunc(b, gap)
	if len(x) == 0 || len(y) == 0 {
		return len(x) == len(y)
	}
	for i := range min(len(x), len(y)) {
		if !sameName(x[i], y[i]) && !initial(x[i], y[i]) && !initial(y[i], x[i]) {
			return false
		}
	}
	return true
}

func gap(r rune) bool { return unicode.IsSpace(r) || r == '.' || r == '-' || r == ',' }

func initial(short, long string) bool {
	s, l := []rune(fold(short, plainFold)), []rune(fold(long, plainFold))
	return len(s) == 1 && len(l) > 0 && s[0] == l[0]
}

var (
	letters    = []string{"ß", "ss", "ø", "o", "æ", "ae", "œ", "oe", "ł", "l", "đ", "d", "ð", "d", "þ", "th", "ı", "i"}
	plainFold  = strings.NewReplacer(letters...)
	germanFold = strings.NewReplacer(append([]string{"ä", "ae", "ö", "oe", "ü", "ue", "ø", "oe", "å", "aa"}, letters...)...)
)

// fold reduces a name to its bare letters.
func fold(name string, special *strings.Replacer) string {
	name = special.Replace(strings.ToLower(norm.NFC.String(name)))
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return r
		}
		return -1
	}, norm.NFD.String(name))
}
