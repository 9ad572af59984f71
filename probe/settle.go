package probe

import (
	"strconv"
	"time"

	"tidegate/outbound"
)

// settle works out the settings that fit what was found.
func (p *probe) settle() {
	p.at("settings", "working out the settings")
	w, f := p.ways, p.cfg.FHIR
	own := w.ownIDs == Works && w.noneMatch == Works
	looked := w.ownIDs == Works // safe only by looking before each creation
	conditional := w.conditional == Works
	mode, why := "", ""
	switch {
	case w.transaction == Works && w.whole == Works && (own || conditional):
		mode, why = "transaction", "a transaction is carried out whole or not at all"
	case own:
		mode, why = "put", "ids of ours are taken, and If-None-Match is honoured"
	case conditional:
		mode, why = "single", "creation unless the identifier is there works"
	case looked:
		mode, why = "put", "ids of ours are taken; If-None-Match is not honoured, so each creation is looked up before"
	}
	if mode == "" {
		p.lacks(Needed, "There is no way to create a result just once.",
			"Have conditional creation, or creation under ids of ours, switched on at the record system.")
		return
	}
	ids, idsWhy := "auto", "ids of ours are taken, and If-None-Match is honoured"
	if mode != "put" && !own {
		ids, idsWhy = "never", "ids of ours are not taken, or If-None-Match is not honoured"
	}
	if p.autoTakes(ids) == mode {
		mode, why = "auto", "it chooses as the findings say: "+why
	}
	p.suggest("mode", f.Mode, mode, why)
	p.suggest("own_ids", f.OwnIDs, ids, idsWhy)
	unit := told(w.unit, told(f.INRUnit, units[0]))
	p.suggest("inr_unit", strconv.Quote(told(f.INRUnit, units[0])), strconv.Quote(unit), "it is the unit that was taken")
	post, postWhy := "true", "searches by POST work, and keep patients' numbers out of access logs"
	if w.byPost != Works {
		post, postWhy = "false", "searches by POST are refused"
	}
	p.suggest("search_by_post", strconv.FormatBool(f.SearchByPost), post, postWhy)
	wait, lagWhy := p.cfg.LookupWait, "a search showed at once what was written"
	if w.lag > 0 {
		lagWhy = "a search showed what was written after " + w.lag.Round(time.Millisecond).String()
	}
	if w.lag*2 > wait {
		wait = max(2*w.lag, time.Second).Round(time.Second)
	}
	p.suggest("lookup_wait", p.cfg.LookupWait.String(), wait.String(), lagWhy)
}

// autoTakes is the mode that auto would choose by the statement alone, "" if
// the statement promises no way.
func (p *probe) autoTakes(ownIDs string) string {
	of := p.caps.Resources
	own := of["Observation"].UpdateCreate && of["DiagnosticReport"].UpdateCreate && ownIDs != "never"
	switch {
	case !own && !(of["Observation"].ConditionalCreate && of["DiagnosticReport"].ConditionalCreate):
		return ""
	case p.caps.Transaction:
		return "transaction"
	case own:
		return "put"
	}
	return "single"
}

func (p *probe) suggest(key, now, write, why string) {
	p.rep.Settings = append(p.rep.Settings, Setting{Key: key, Now: now, Write: write, Why: why})
}

// suggested is the outlet with the settings that were worked out; differs if
// one of them decides how results are written.
func (p *probe) suggested() (cfg outbound.Config, differs bool) {
	cfg = p.cfg
	for _, s := range p.rep.Settings {
		differs = differs || s.Now != s.Write && s.Key != "search_by_post"
		switch s.Key {
		case "mode":
			cfg.FHIR.Mode = s.Write
		case "own_ids":
			cfg.FHIR.OwnIDs = s.Write
		case "inr_unit":
			cfg.FHIR.INRUnit, _ = strconv.Unquote(s.Write) // quoted above
		case "search_by_post":
			cfg.FHIR.SearchByPost = s.Write == "true"
		case "lookup_wait":
			cfg.LookupWait, _ = time.ParseDuration(s.Write) // written above
		}
	}
	return cfg, differs
}
