package registry

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// ask looks up one identifier. outage tells that there was no answer at all, so
// that others need not be tried now.
func (d *Directory) ask(ctx context.Context, ref poct.PatientRef) (a answer, outage bool) {
	system := d.s.Systems[ref.Authority]
	if system == "" {
		return answer{}, false
	}
	found, err := d.get(func() (fhir.Answer, error) {
		return d.s.Client.Search(ctx, "", "Patient", fhir.Identifier{System: system, Value: ref.ID})
	})
	if err != nil {
		return answer{err: err}, true
	}
	for _, e := range found.Entries {
		r, err := readPatient(e.Resource)
		if err != nil {
			return answer{err: err}, false
		}
		row, reference, err := d.person(ctx, ref, system, r)
		if err != nil {
			return answer{err: err}, true
		}
		if reference == "" {
			continue // no longer in use
		}
		a.patients = append(a.patients, row)
		if len(found.Entries) > 1 {
			continue // whose visits, nobody knows
		}
		if err := d.belongings(ctx, &a, row, reference); err != nil {
			return answer{err: err}, true
		}
	}
	return a, false
}

// get makes one request, with new credentials if the old ones were refused.
// Anything but a good answer is none.
func (d *Directory) get(call func() (fhir.Answer, error)) (fhir.Answer, error) {
	a, err := call()
	if err == nil && a.Status == 401 && d.s.Refresh != nil {
		if changed, failed := d.s.Refresh(); failed == nil && changed {
			a, err = call()
		}
	}
	if err == nil && !a.OK() {
		err = fmt.Errorf("status %d", a.Status)
	}
	return a, err
}

type remotePatient struct {
	Type       string             `json:"resourceType"`
	ID         string             `json:"id"`
	Active     *bool              `json:"active"`
	Identifier []remoteIdentifier `json:"identifier"`
	Name       []struct {
		Use    string   `json:"use"`
		Family string   `json:"family"`
		Given  []string `json:"given"`
	} `json:"name"`
	BirthDate string `json:"birthDate"`
	Gender    string `json:"gender"`
	Link      []struct {
		Other remoteReference `json:"other"`
		Type  string          `json:"type"`
	} `json:"link"`
}

type remoteIdentifier struct {
	System string `json:"system"`
	Value  string `json:"value"`
	Type   struct {
		Coding []remoteCoding `json:"coding"`
	} `json:"type"`
}

type remoteReference struct {
	Reference string `json:"reference"`
}

type remoteCoding struct {
	System string `json:"system"`
	Code   string `json:"code"`
}

func readPatient(body []byte) (remotePatient, error) {
	var r remotePatient
	if err := json.Unmarshal(body, &r); err != nil || r.Type != "Patient" || r.ID == "" {
		return r, errors.New("a patient that cannot be read")
	}
	return r, nil
}

func (r remotePatient) replacedBy() string {
	for _, l := range r.Link {
		if l.Type == "replaced-by" {
			return l.Other.Reference
		}
	}
	return ""
}

// person follows a merged patient to the one that survives (Patient.link,
// replaced-by). The row keeps the identifier that was asked for, and leads to
// the survivor's own where that has one of the same system. A circle leads back
// to itself, and so to nobody. No reference means that the patient is not active.
func (d *Directory) person(ctx context.Context, ref poct.PatientRef, system string, r remotePatient) (poct.Patient, string, error) {
	row := poct.Patient{Authority: ref.Authority, ID: ref.ID}
	seen := map[string]bool{"Patient/" + r.ID: true}
	for next := r.replacedBy(); next != ""; next = r.replacedBy() {
		at, _ := fhir.Place(next)
		if seen[at] || len(seen) > mostReplaced || at == "" {
			row.MergedTo = ref.ID
			return row, "Patient/" + r.ID, nil
		}
		seen[at] = true
		got, err := d.get(func() (fhir.Answer, error) { return d.s.Client.Read(ctx, "", at) })
		if err != nil {
			return row, "", err
		}
		if r, err = readPatient(got.Body); err != nil {
			return row, "", err
		}
	}
	if r.Active != nil && !*r.Active {
		return row, "", nil
	}
	for _, i := range r.Identifier {
		if i.System == system && i.Value != "" && i.Value != ref.ID && len(seen) > 1 {
			row.MergedTo = i.Value
			break
		}
	}
	row.BirthDate, row.Sex = r.BirthDate, r.Gender
	for _, n := range r.Name {
		if row.Family == "" || n.Use == "official" {
			row.Family, row.Given = n.Family, ""
			if len(n.Given) > 0 {
				row.Given = n.Given[0]
			}
		}
	}
	return row, "Patient/" + r.ID, nil
}

// belongings looks up encounters and orders. A record system that has none of a
// kind answers 404.
func (d *Directory) belongings(ctx context.Context, a *answer, p poct.Patient, patient string) error {
	owner := p.ID
	if p.MergedTo != "" {
		owner = p.MergedTo
	}
	since := d.s.Now().Add(-visitsBack).UTC().Format(time.DateOnly)
	found, err := d.pointing(ctx, "Encounter", patient, fhir.Condition{Name: "date", Value: "ge" + since})
	if err != nil {
		return err
	}
	for _, e := range found {
		if v, ok := readEncounter(e.Resource); ok {
			v.Authority, v.Patient = p.Authority, owner
			a.visits = append(a.visits, v)
		}
	}
	if !d.s.Orders {
		return nil
	}
	if found, err = d.pointing(ctx, "ServiceRequest", patient, fhir.Condition{Name: "status", Value: "active"}); err != nil {
		return err
	}
	for _, e := range found {
		if o, ok := readRequest(e.Resource); ok {
			o.Authority, o.Patient = p.Authority, owner
			a.orders = append(a.orders, o)
		}
	}
	return nil
}

func (d *Directory) pointing(ctx context.Context, typ, patient string, and fhir.Condition) ([]fhir.Entry, error) {
	a, err := d.get(func() (fhir.Answer, error) { return d.s.Client.Pointing(ctx, "", typ, "patient", patient, and) })
	if a.Status == 404 {
		return nil, nil
	}
	return a.Entries, err
}

// readEncounter reads a visit that took place, or may be under way.
func readEncounter(body []byte) (poct.Visit, bool) {
	var r struct {
		ID         string             `json:"id"`
		Status     string             `json:"status"`
		Identifier []remoteIdentifier `json:"identifier"`
		Period     struct{ Start, End string }
	}
	if json.Unmarshal(body, &r) != nil || r.ID == "" {
		return poct.Visit{}, false
	}
	v := poct.Visit{ID: r.ID, Encounter: "Encounter/" + r.ID, Start: instant(r.Period.Start, false), End: instant(r.Period.End, true)}
	if len(r.Identifier) > 0 && r.Identifier[0].Value != "" {
		v.ID = r.Identifier[0].Value
	}
	switch r.Status {
	case "cancelled", "entered-in-error", "planned":
		return v, false
	}
	return v, !v.Start.IsZero()
}

// readRequest reads an order: its placer's number is the identifier of type
// PLAC (HL7 table 0203), else the first.
func readRequest(body []byte) (poct.Order, bool) {
	var r struct {
		ID         string             `json:"id"`
		Status     string             `json:"status"`
		Intent     string             `json:"intent"`
		Identifier []remoteIdentifier `json:"identifier"`
		Code       struct {
			Coding []remoteCoding `json:"coding"`
		} `json:"code"`
		AuthoredOn string `json:"authoredOn"`
		Occurrence string `json:"occurrenceDateTime"`
	}
	if json.Unmarshal(body, &r) != nil || r.ID == "" || r.Status != "active" {
		return poct.Order{}, false
	}
	o := poct.Order{ID: r.ID, Request: "ServiceRequest/" + r.ID, Status: poct.OrderOpen, Placed: instant(r.AuthoredOn, false)}
	if at := instant(r.Occurrence, false); !at.IsZero() {
		o.Placed = at
	}
	for i, id := range r.Identifier {
		placer := len(id.Type.Coding) > 0 && id.Type.Coding[0].Code == "PLAC"
		if i == 0 || placer {
			o.Placer = id.Value
		}
	}
	for i, c := range r.Code.Coding {
		if i == 0 || c.System == "http://loinc.org" {
			o.Code = c.Code
		}
	}
	return o, !o.Placed.IsZero() && o.Code != ""
}

// instant reads a FHIR dateTime; a date alone is the start of that day in UTC,
// or its end where it ends a period. Zero where it is none.
func instant(s string, end bool) time.Time {
	if at, err := time.Parse(time.RFC3339, s); err == nil {
		return at.UTC()
	}
	day, err := time.Parse(time.DateOnly, s)
	if err == nil && end {
		return day.Add(24*time.Hour - time.Second)
	}
	return day
}
