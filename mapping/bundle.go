package mapping

import (
	"cmp"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// IDs are what the record system itself calls things.
type IDs struct {
	Patient   string // reference to the patient: "Patient/12"
	Encounter string // reference to the visit's encounter, "" if not known
	// Remote names what was filed before, as in poct.Delivery:
	// "observation/inr" -> "Observation/12", "etag/observation/inr" -> W/"1";
	// likewise "diagnosticreport" and "specimen".
	Remote map[string]string
}

// Options of rendering, per outlet.
type Options struct {
	Caps fhir.Caps
	// INRUnit is the UCUM code sent for INR: "{INR}", or "1" where the receiver
	// knows no annotations; "" is "{INR}".
	INRUnit string
	// Outlet is who the bundle is for: the record system's own references of
	// visits and orders go to the one that gave them alone.
	Outlet string
	// OwnIDs creates under ids of our own, each the UUID of its identifier, by
	// PUT with If-None-Match: *, where the record system says that it takes
	// them. It has to honour that condition; else creation is conditional.
	OwnIDs bool
	// Unanswered is for a receiver that answers with no ids, such as a queue or a
	// folder: each resource is put under an id of ours, over whatever stands
	// there, in the order in which the bundles come.
	Unanswered bool
}

// Bundle renders one action on one result as a FHIR R4 transaction.
//
//	create    Observations, report and specimen, each created unless its
//	          identifier is there already; meter, clinic and strip lot
//	          likewise; provenance
//	correct   the same content onto the ids that were filed, each only onto the
//	          version that was there
//	withdraw  the same with status entered-in-error; values stay
//
// The same arguments give the same bytes.
func Bundle(r poct.Result, action poct.Action, ids IDs, o Options) ([]byte, error) {
	if ids.Patient == "" {
		return nil, errors.New("mapping: a transaction needs the record system's patient")
	}
	if err := unfit(&r, action); err != nil {
		return nil, err
	}
	b := &builder{r: &r, action: action, ids: ids, o: o, w: fhir.NewBundle(8 << 10)}
	b.effective = r.Reading.Tested().Format("2006-01-02T15:04:05Z07:00")
	b.issued = r.Issued.UTC().Format("2006-01-02T15:04:05.000Z")
	b.shared()
	b.specimen()
	for i := range r.Reading.Measurements {
		b.observation(&r.Reading.Measurements[i])
	}
	b.report()
	b.provenance()
	if b.err != nil {
		return nil, b.err
	}
	return b.w.Done(), nil
}

// unfit says what keeps a result from being sent, whatever the format.
func unfit(r *poct.Result, action poct.Action) error {
	switch {
	case r.Key == "" || r.Reading.Kind != poct.KindPatient && action != poct.Withdraw:
		return fmt.Errorf("mapping: a %s reading without a key is never sent", r.Reading.Kind)
	case action != poct.Withdraw && (r.Reading.Status == poct.StatusPreliminary || r.Reading.Status == poct.StatusCancelled):
		return fmt.Errorf("mapping: a %s result is never sent", r.Reading.Status)
	case len(r.Reading.Measurements) == 0:
		return errors.New("mapping: nothing was measured")
	case r.Issued.IsZero() || r.Reading.Tested().IsZero():
		return errors.New("mapping: a result needs the time of its test and of its issue")
	}
	return nil
}

// builder writes the entries of one transaction.
type builder struct {
	r      *poct.Result
	action poct.Action
	ids    IDs
	o      Options
	w      *fhir.Bundle
	err    error

	effective, issued              string
	meter, clinic, operator, strip reference
	sample                         reference
	observations                   []reference
	filed                          reference // the report
}

// reference to a resource: by its id or full URL, or by identifier alone where
// the record system has none of it that we know.
type reference struct {
	to            string
	typ           string
	system, value string
	display       string
}

func (r reference) set() bool { return r != reference{} }

// write writes the members of a reference in an object already opened.
func (r reference) write(w *fhir.Bundle) {
	w.Text("reference", r.to)
	if r.to == "" {
		w.Text("type", r.typ)
		if r.value != "" {
			w.Open("identifier").Text("system", r.system).Text("value", r.value).Close()
		}
	}
	w.Text("display", r.display)
}

// refer writes a reference under a key, if there is one.
func (b *builder) refer(key string, r reference) {
	if r.set() {
		b.w.Open(key)
		r.write(b.w)
		b.w.Close()
	}
}

// refers writes a list of references, if there are any.
func (b *builder) refers(key string, list ...reference) {
	open := false
	for _, r := range list {
		if !r.set() {
			continue
		}
		if !open {
			b.w.List(key)
			open = true
		}
		b.refer("", r)
	}
	if open {
		b.w.End()
	}
}

// identified writes the identifier list of a resource.
func (b *builder) identified(system, value string) {
	b.w.List("identifier").Open("").Text("system", system).Text("value", value).Close().End()
}

// concept writes a CodeableConcept with one coding; each part may be empty.
func (b *builder) concept(key, system, code, display, text string) {
	b.w.Open(key)
	if code != "" {
		b.w.List("coding").Open("").Text("system", system).Text("code", code).Text("display", display).Close().End()
	}
	b.w.Text("text", text).Close()
}

// concepts writes a list of one CodeableConcept.
func (b *builder) concepts(key, system, code, display string) {
	b.w.List(key)
	b.concept("", system, code, display, "")
	b.w.End()
}

// takes reports whether the record system creates a type unless it is there.
func (b *builder) takes(typ string) bool {
	c := b.o.Caps.Resources[typ]
	return c.Create && c.ConditionalCreate
}

// once settles a resource that is created unless its identifier is there.
func once(typ, system, value, urn string) part {
	return part{typ: typ, urn: urn, write: fhir.Write{
		Method: "POST", URL: typ, IfNoneExist: fhir.Identifier{System: system, Value: value}.Query(),
	}}
}

// part is one resource of the transaction, and how it will be written.
type part struct {
	typ   string
	urn   string
	write fhir.Write
	id    string // "" where the record system gives it
}

// part settles how a part of the result itself is written: onto what was filed
// (key is what Remote calls it), under an id of ours, or created unless its
// identifier is there.
func (b *builder) part(typ, key, name string) part {
	id := stableID(b.r, name)
	p := part{typ: typ, urn: id.URN()}
	if b.o.Unanswered {
		p.id = id.String()
		p.write.Method, p.write.URL = "PUT", typ+"/"+p.id
		return p
	}
	if ref := b.ids.Remote[key]; b.action != poct.Create && ref != "" {
		own, ok := strings.CutPrefix(ref, typ+"/")
		tag := b.ids.Remote["etag/"+key]
		if !ok || tag == "" {
			b.fail("no version of %s is known: an update names the version it replaces", key)
		}
		p.id, p.write.Method, p.write.URL, p.write.IfMatch = own, "PUT", ref, tag
		return p
	}
	if b.action == poct.Withdraw {
		b.fail("what is withdrawn has no id at the record system: %s", key)
	}
	return b.fresh(typ, id)
}

// fresh settles how a part is created: under an id of ours where that goes,
// else unless its identifier is there.
func (b *builder) fresh(typ string, id uuid.UUID) part {
	if !b.o.OwnIDs || !b.o.Caps.Resources[typ].UpdateCreate {
		return once(typ, systemURI, id.URN(), id.URN())
	}
	p := part{typ: typ, urn: id.URN(), id: id.String()}
	p.write.Method, p.write.URL, p.write.IfNoneMatch = "PUT", typ+"/"+p.id, "*"
	return p
}

// open begins a resource.
func (b *builder) open(p part) {
	b.w.Entry(p.urn)
	b.w.Resource(p.typ).Text("id", p.id)
}

// done ends it and gives the reference to it.
func (b *builder) done(p part) reference {
	b.w.Close()
	b.w.Request(p.write)
	if p.id != "" {
		return reference{to: p.write.URL}
	}
	return reference{to: p.urn}
}

func (b *builder) fail(format string, args ...any) {
	if b.err == nil {
		b.err = fmt.Errorf("mapping: "+format, args...)
	}
}

// status of Observations and report. A result of which no earlier version was
// filed can be a correction all the same, if the meter says so. A version that
// only adds a mark leaves the status as it was.
func (b *builder) status() string {
	switch {
	case b.action == poct.Withdraw || b.r.Reading.Status == poct.StatusWithdrawn:
		return "entered-in-error"
	case b.action == poct.Correct && !b.marksOnly() || b.r.Reading.Status == poct.StatusCorrected:
		return "corrected"
	}
	return "final"
}

// marksOnly tells that this version changes no value, nor did one before it.
func (b *builder) marksOnly() bool { return b.r.Noted && b.r.Replaces == "" }

// encounter is the visit: the record system's own, else by its number.
func (b *builder) encounter() reference {
	switch {
	case b.ids.Encounter != "":
		return reference{to: b.ids.Encounter}
	case b.r.Encounter != "" && b.knows():
		return reference{to: b.r.Encounter}
	case b.r.Visit != "":
		return reference{typ: "Encounter", system: visitSystem, value: b.r.Visit}
	}
	return reference{}
}

// knows tells whether the references that were looked up are this outlet's.
func (b *builder) knows() bool { return b.r.Record != "" && b.r.Record == b.o.Outlet }

// order is what was asked for: the record system's own, else by its number. It
// is referred to, never created.
func (b *builder) order() reference {
	switch number := orderNumber(b.r); {
	case b.r.Ordered.Request != "" && b.knows():
		return reference{to: b.r.Ordered.Request}
	case number != "":
		return reference{typ: "ServiceRequest", system: orderSystem, value: number}
	}
	return reference{}
}

// orderNumber is the placer's number: as the meter sent it, else of the order
// that was found.
func orderNumber(r *poct.Result) string { return cmp.Or(r.Reading.Order, r.Ordered.Placer) }

// target writes the therapeutic range where the order names one: it is the
// order's, so it travels with the order alone.
func (b *builder) target(m *poct.Measurement) {
	low, high := b.r.Ordered.TargetLow, b.r.Ordered.TargetHigh
	if m.Analyte != "inr" || low.IsZero() || high.IsZero() {
		return
	}
	unit := cmp.Or(b.o.INRUnit, ucum["inr"])
	b.w.List("referenceRange").Open("")
	for _, end := range []struct{ key, value string }{{"low", low.Text}, {"high", high.Text}} {
		b.w.Open(end.key).Number("value", end.value).Text("unit", "INR").Text("system", "http://unitsofmeasure.org").Text("code", unit).Close()
	}
	b.concept("type", "http://terminology.hl7.org/CodeSystem/referencerange-meaning", "therapeutic", "Therapeutic Desired Level", "")
	b.w.Close().End()
}

// dateOnly keeps a date and drops what is none: FHIR would refuse it.
func dateOnly(s string) string {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return ""
	}
	return s
}
