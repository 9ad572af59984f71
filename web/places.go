package web

import (
	"time"
	_ "time/tzdata" // sites' zones are needed on machines that have none

	"tidegate/poct"
)

// places answers, for one request, what a page needs of the registry to write
// a row: names and zones of sites, patients' initials, who is still here. What
// the registry does not answer is counted in broken, not assumed.
type places struct {
	book     poct.Book
	now      time.Time
	sites    map[string]poct.Site
	patients map[poct.PatientRef][]poct.Patient
	visits   map[poct.PatientRef][]poct.Visit
	broken   bool
}

func (w *Server) places() *places {
	return &places{book: w.s.Reader.Book(), now: w.s.Now(), sites: map[string]poct.Site{},
		patients: map[poct.PatientRef][]poct.Patient{}, visits: map[poct.PatientRef][]poct.Visit{}}
}

func (p *places) site(id string) poct.Site {
	s, ok := p.sites[id]
	if !ok {
		var err error
		if s, _, err = p.book.Site(id); err != nil {
			p.broken = true
		}
		p.sites[id] = s
	}
	return s
}

func (p *places) name(site string) string {
	if n := p.site(site).Name; n != "" {
		return n
	}
	return site
}

func (p *places) zone(site string) *time.Location {
	if z, err := time.LoadLocation(p.site(site).TimeZone); err == nil {
		return z
	}
	return time.UTC
}

// patient is the one patient that an identifier as sent belongs to.
func (p *places) patient(ref poct.PatientRef) (poct.Patient, bool) {
	if ref.ID == "" {
		return poct.Patient{}, false
	}
	rows, ok := p.patients[ref]
	if !ok {
		var err error
		if rows, err = p.book.Patients(ref.Authority, ref.ID); err != nil {
			p.broken = true
		}
		p.patients[ref] = rows
	}
	if len(rows) != 1 {
		return poct.Patient{}, false
	}
	return rows[0], true
}

// openVisit is a visit of the patient that has begun and not ended.
func (p *places) openVisit(ref poct.PatientRef) (poct.Visit, bool) {
	if ref.ID == "" {
		return poct.Visit{}, false
	}
	rows, ok := p.visits[ref]
	if !ok {
		var err error
		if rows, err = p.book.Visits(ref.Authority, ref.ID); err != nil {
			p.broken = true
		}
		p.visits[ref] = rows
	}
	for _, v := range rows {
		if !v.Start.After(p.now) && (v.End.IsZero() || v.End.After(p.now)) {
			return v, true
		}
	}
	return poct.Visit{}, false
}
