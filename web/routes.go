package web

import (
	"net/http"
	"slices"
	"strings"

	"tidegate/poct"
)

// Roles. What each may see and do stands in the table of routes alone.
const (
	nurse       = "nurse"
	clinician   = "clinician"
	reviewer    = "reviewer"
	coordinator = "coordinator"
	engineer    = "engineer"
	auditor     = "auditor"
	admin       = "admin"
)

var roles = []string{nurse, clinician, reviewer, coordinator, engineer, auditor, admin}

// rolesOf lists a person's roles: a site may give one person several,
// written with spaces or commas between.
func rolesOf(a poct.Actor) []string {
	return strings.FieldsFunc(a.Role, func(r rune) bool { return r == ' ' || r == ',' })
}

func knownRoles(a poct.Actor) bool {
	all := rolesOf(a)
	return len(all) > 0 && !slices.ContainsFunc(all, func(r string) bool { return !slices.Contains(roles, r) })
}

var (
	anyone    = []string(nil) // no sign-in asked
	signedIn  = roles
	staff     = []string{clinician, reviewer, coordinator}          // see and settle what is of their sites
	readers   = []string{clinician, reviewer, coordinator, auditor} // the auditor reads all and settles nothing
	finders   = append([]string{engineer}, readers...)              // the engineer finds by id, sees bytes masked
	countings = append([]string{engineer}, readers...)              // counts, no patient
	meterUser = []string{nurse, clinician, reviewer, coordinator, engineer, auditor}
	importers = []string{coordinator, engineer} // which kinds: see importKinds
	exporters = []string{auditor}
	admins    = []string{admin}
)

// route is one address: who may use it and what it does.
type route struct {
	method, path string
	may          []string
	page         bool // a page: asks for sign-in by a form; else a problem report
	quiet        bool // asked for by a script: does not keep a session alive
	do           func(*Server, http.ResponseWriter, *http.Request, caller) error
	doc          *apiDoc // for the API's description
	asks         bool    // a POST that changes nothing but the record of looks: its question may name a patient
}

// reads tells whether a token that only reads may use the route.
func (r route) reads() bool { return r.method == http.MethodGet || r.asks }

// caller is who asks.
type caller struct {
	actor    poct.Actor
	session  *session // nil for a token
	readOnly bool     // a token that only reads
}

// can tells whether one of the caller's roles is among these.
func (c caller) can(allowed []string) bool {
	return slices.ContainsFunc(rolesOf(c.actor), func(r string) bool { return slices.Contains(allowed, r) })
}

// all tells whether the caller reads what is of every site.
func (c caller) all() bool { return c.can([]string{auditor}) || slices.Contains(c.actor.Sites, "*") }

// masked tells whether the caller sees bytes without the patient: an engineer
// who is nothing else.
func (c caller) masked() bool { return !c.can(readers) }

// table is every route there is. A function, since handlers refer to it.
func table() []route {
	return slices.Concat(pages(), wiringPages(), registryPages(), ledgerPages(), supervisionPages(), api(), supervisionAPI(), qualityAPI(), accessPages(), accessAPI())
}

func pages() []route {
	return []route{
		{method: "GET", path: "/{$}", may: countings, page: true, do: (*Server).today},
		{method: "GET", path: "/holds", may: readers, page: true, do: (*Server).holds},
		{method: "GET", path: "/holds/causes/{id}", may: readers, page: true, do: (*Server).cause},
		{method: "POST", path: "/holds/causes/{id}/again", may: staff, page: true, do: (*Server).causeAgain},
		{method: "POST", path: "/holds/causes/{id}/discard", may: staff, page: true, do: (*Server).causeDiscard},
		{method: "GET", path: "/holds/{id}", may: readers, page: true, do: (*Server).hold},
		{method: "GET", path: "/raw/holds/{id}", may: readers, page: true, do: (*Server).holdRaw},
		{method: "POST", path: "/holds/{id}/settle", may: staff, page: true, do: (*Server).settle},
		{method: "GET", path: "/results/{id}", may: readers, page: true, do: (*Server).result},
		{method: "GET", path: "/raw/results/{id}/{arrival}", may: readers, page: true, do: (*Server).resultRaw},
		{method: "POST", path: "/results/{id}/acknowledge", may: staff, page: true, do: (*Server).acknowledge},
		{method: "POST", path: "/results/{id}/pack", may: exporters, page: true, do: (*Server).pack},
		{method: "GET", path: "/find", may: finders, page: true, do: (*Server).findForm},
		{method: "POST", path: "/find", may: finders, page: true, do: (*Server).find},
		{method: "GET", path: "/found/{token}", may: finders, page: true, do: (*Server).found},
		{method: "GET", path: "/live", may: signedIn, quiet: true, do: (*Server).live},
		{method: "POST", path: "/stay", may: signedIn, page: true, do: (*Server).stay},
		{method: "GET", path: "/keys", may: signedIn, page: true, do: (*Server).keys},
		{method: "GET", path: "/static/", may: anyone, do: (*Server).static},
		{method: "GET", path: "/healthz", may: anyone, do: (*Server).healthz},
		{method: "GET", path: "/readyz", may: anyone, do: (*Server).readyz},
		{method: "GET", path: "/metrics", may: anyone, do: (*Server).metrics},
	}
}

func api() []route {
	return []route{
		{method: "GET", path: "/api/v1/account", may: countings, do: (*Server).apiAccount, doc: docAccount},
		{method: "GET", path: "/api/v1/listeners", may: countings, do: (*Server).apiListeners, doc: docListeners},
		{method: "GET", path: "/api/v1/holds", may: readers, do: (*Server).apiHolds, doc: docHolds},
		{method: "GET", path: "/api/v1/holds/{id}", may: readers, do: (*Server).apiHold, doc: docHold},
		{method: "POST", path: "/api/v1/holds/{id}/settle", may: staff, do: (*Server).apiSettle, doc: docSettle},
		{method: "GET", path: "/api/v1/arrivals/{id}", may: finders, do: (*Server).apiArrival, doc: docArrival},
		{method: "GET", path: "/api/v1/arrivals/{id}/raw", may: finders, do: (*Server).apiRaw, doc: docRaw},
		{method: "GET", path: "/api/v1/results/{id}", may: readers, do: (*Server).apiResult, doc: docResult},
		{method: "GET", path: "/api/v1/results/{id}/trace", may: readers, do: (*Server).apiTrace, doc: docTrace},
		{method: "POST", path: "/api/v1/results/{id}/acknowledge", may: staff, do: (*Server).apiAcknowledge, doc: docAcknowledge},
		{method: "GET", path: "/api/v1/meters", may: meterUser, do: (*Server).apiMeters, doc: docMeters},
		{method: "GET", path: "/api/v1/ledger/checkpoint", may: countings, do: (*Server).apiCheckpoint, doc: docCheckpoint},
		{method: "GET", path: "/api/v1/ledger/proof/{n}", may: readers, do: (*Server).apiProof, doc: docProof},
		{method: "POST", path: "/api/v1/find", may: finders, do: (*Server).apiFind, doc: docFind, asks: true},
		{method: "POST", path: "/api/v1/registry/{kind}", may: importers, do: (*Server).apiRegistry, doc: docRegistry},
		{method: "POST", path: "/api/v1/export", may: exporters, do: (*Server).apiExport, doc: docExport},
		{method: "GET", path: "/api/v1/openapi.json", may: signedIn, do: (*Server).apiOpenAPI, doc: docOpenAPI},
	}
}

// importKinds says which rows a caller may bring: lots, controls and operators
// are the coordinator's; the feed of sites, meters, patients and visits is
// wiring too.
func importKinds(c caller) []poct.RegistryKind {
	switch {
	case c.can([]string{coordinator}):
		return registryKinds
	case c.can([]string{engineer}):
		return []poct.RegistryKind{poct.Sites, poct.Meters, poct.Patients, poct.Visits, poct.FindingRows}
	}
	return nil
}

var registryKinds = []poct.RegistryKind{poct.Sites, poct.Meters, poct.Operators, poct.StripLots, poct.ControlLots, poct.Patients, poct.Visits,
	poct.Shipments, poct.FindingRows} // not acceptances, read-backs and actions: each is a person's own act
