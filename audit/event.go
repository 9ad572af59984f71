package audit

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"tidegate/mapping"
	"tidegate/outbound"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// Where is what AuditEvents of one outlet have in common.
type Where struct {
	RecordURL string            // base URL of the record system
	Host      string            // name of this machine
	Systems   map[string]string // FHIR identifier system by assigning authority
}

// Outcomes of an AuditEvent (hl7.org/fhir/R4/valueset-audit-event-outcome.html):
// what may work later is minor, what concerns this record serious, and what
// concerns the record system as a whole major. Which answer is which is our own
// rule.
const (
	success = "0"
	minor   = "4"
	serious = "8"
	major   = "12"
)

// outcomeOf tells how a sending ended; false for what sent nothing, or for
// whose end is still to come.
func outcomeOf(o poct.SendOutcome) (string, bool) {
	class := outbound.Class(o.Receipt.Class)
	switch {
	case o.Done:
		return success, true
	case !outbound.Wrote(o.Receipt) || class == outbound.NotSent:
		return "", false
	case class == outbound.Unknown && o.Receipt.Status >= 200 && o.Receipt.Status < 300:
		return "", false // carried out; looked up once more, and then told of
	}
	switch class {
	case outbound.Transient, outbound.Throttled, outbound.Unknown:
		return minor, true
	case outbound.SignIn, outbound.Forbidden, outbound.Configuration:
		return major, true
	case outbound.Refused, outbound.Ambiguous, outbound.Compare:
		return serious, true
	}
	return "", false
}

// Events are the AuditEvents of one attempt: one for each Observation and
// report that it was to write. None where nothing was sent.
func Events(d poct.Delivery, o poct.SendOutcome, w Where) [][]byte {
	outcome, ok := outcomeOf(o)
	if !ok {
		return nil
	}
	parts := []string{"report"}
	for _, m := range d.Result.Reading.Measurements {
		parts = append(parts, m.Analyte)
	}
	slices.Sort(parts)
	var out [][]byte
	for _, part := range parts {
		e := event{d: d, o: o, w: w, outcome: outcome, typ: "Observation", key: "observation/" + part, id: mapping.StableID(d.Result, part).URN()}
		if part == "report" {
			e.typ, e.key = "DiagnosticReport", "diagnosticreport"
		}
		if o.Done && o.Receipt.Remote[e.key] == "" {
			continue // a withdrawal of what was not there
		}
		out = append(out, e.write())
	}
	return out
}

// event is one AuditEvent to be written.
type event struct {
	d       poct.Delivery
	o       poct.SendOutcome
	w       Where
	outcome string
	typ     string // of the resource
	key     string // what a receipt calls it
	id      string // its identifier
}

// ID tells an AuditEvent from every other, however often it is sent: a version
// 5 UUID of the resource's identifier, version, action and attempt.
func (e *event) ID() string {
	name := fmt.Sprintf("https://tidegate.example/audit/%s|%d|%s|%d", e.id, e.d.Result.Version, e.d.Action, e.d.Attempts)
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(name)).String()
}

const (
	entityTypes = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
	objectRoles = "http://terminology.hl7.org/CodeSystem/object-role"
	dicom       = "http://dicom.nema.org/resources/ontology/DCM"
	uriSystem   = "urn:ietf:rfc:3986"
)

// write follows the patterns PatientCreate and PatientUpdate of IHE BALP: what
// they fix is fixed here. It claims no profile, since none could be validated.
func (e *event) write() []byte {
	var b fhir.Writer
	subtype, action := "update", "U"
	if e.d.Action == poct.Create {
		subtype, action = "create", "C"
	}
	r := e.o.Receipt
	b.Resource("AuditEvent")
	coding(&b, "type", "http://terminology.hl7.org/CodeSystem/audit-event-type", "rest", "RESTful Operation")
	b.List("subtype")
	coding(&b, "", "http://hl7.org/fhir/restful-interaction", subtype, subtype)
	b.End()
	b.Text("action", action).Text("recorded", r.At.UTC().Format("2006-01-02T15:04:05.000Z")).Text("outcome", e.outcome)
	b.Text("outcomeDesc", description(r))
	b.List("agent")
	e.agent(&b, "110153", "Source Role ID", "tidegate", true, e.w.Host, "1")                 // network type 1: machine name
	e.agent(&b, "110152", "Destination Role ID", "Record system", false, e.w.RecordURL, "5") // 5: URI
	b.End()
	b.Open("source").Text("site", e.d.Result.Site).Open("observer").Text("display", "tidegate").Close()
	b.List("type")
	coding(&b, "", "http://terminology.hl7.org/CodeSystem/security-source-type", "4", "Application Server")
	b.End().Close()
	b.List("entity")
	e.patient(&b)
	e.data(&b)
	e.request(&b)
	b.End().Close()
	return b.Bytes()
}

func description(r poct.Receipt) string {
	if r.Status == 0 {
		return r.Class
	}
	return fmt.Sprintf("%s, status %d", r.Class, r.Status)
}

func coding(b *fhir.Writer, key, system, code, display string) {
	b.Open(key).Text("system", system).Text("code", code).Text("display", display).Close()
}

// agent is an end of the exchange. We ask, so we are the requestor.
func (e *event) agent(b *fhir.Writer, code, display, who string, asks bool, address, kind string) {
	b.Open("").Open("type").List("coding")
	coding(b, "", dicom, code, display)
	b.End().Close()
	b.Open("who").Text("display", who).Close()
	b.Number("requestor", fmt.Sprint(asks)) // a bare true or false
	if address != "" {
		b.Open("network").Text("address", address).Text("type", kind).Close()
	}
	b.Close()
}

// patient is named by the record system's own reference, and where that is not
// known by the identifier.
func (e *event) patient(b *fhir.Writer) {
	b.Open("").Open("what")
	if ref := e.o.Receipt.Remote["patient"]; ref != "" {
		b.Text("reference", e.absolute(ref))
	}
	b.Text("type", "Patient")
	if e.o.Receipt.Remote["patient"] == "" {
		b.Open("identifier").Text("system", e.w.Systems[e.d.Result.Patient.Authority]).Text("value", e.d.Result.Patient.ID).Close()
	}
	b.Close()
	coding(b, "type", entityTypes, "1", "Person")
	coding(b, "role", objectRoles, "1", "Patient")
	b.Close()
}

// data is the resource that was written.
func (e *event) data(b *fhir.Writer) {
	b.Open("").Open("what")
	if ref := e.o.Receipt.Remote[e.key]; ref != "" {
		b.Text("reference", e.absolute(ref))
	}
	b.Text("type", e.typ).Open("identifier").Text("system", uriSystem).Text("value", e.id).Close().Close()
	coding(b, "type", entityTypes, "2", "System Object")
	coding(b, "role", objectRoles, "4", "Domain Resource")
	b.Close()
}

// request is the id that went along in X-Request-Id, and the id of this event.
func (e *event) request(b *fhir.Writer) {
	id := e.o.Receipt.Request
	if id == "" { // found by a look-up: the write's own answer was lost
		id = "not known"
	}
	b.Open("").Open("what").Open("identifier").Text("value", id).Close().Close()
	coding(b, "type", "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType", "XrequestId", "")
	b.List("detail").Open("").Text("type", "AuditEvent").Text("valueString", e.ID()).Close().End()
	b.Close()
}

func (e *event) absolute(ref string) string { return strings.TrimRight(e.w.RecordURL, "/") + "/" + ref }
