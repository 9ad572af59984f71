package probe

import (
	"context"
	"fmt"
	"net/http"
	"sync"
	"time"

	"tidegate/outbound"
	"tidegate/wire/fhir"
)

// ways is what trying showed of the ways to write once.
type ways struct {
	patient     Found // found by identifier
	lived       Found // a result was filed, corrected and withdrawn
	provenance  Found // and a Provenance of it is kept
	byPost      Found
	conditional Found         // If-None-Exist
	ownIDs      Found         // PUT to an id of ours creates
	noneMatch   Found         // and If-None-Match: * keeps a second one away
	stale       Found         // a stale If-Match is refused
	transaction Found         // one is carried out
	whole       Found         // one that fails leaves nothing behind
	unit        string        // UCUM code of INR that it takes
	lag         time.Duration // until a search shows what was written
	found       bool          // a search shows it at all
}

// tryConditions finds out how something can be created once and changed safely.
// It writes Observations of its own, by themselves.
func (p *probe) tryConditions(ctx context.Context) {
	p.at("conditions", "trying conditional creation")
	p.tryConditional(ctx)
	p.at("conditions", "trying creation under ids of ours")
	standing := p.tryOwnIDs(ctx)
	if standing.ref == "" {
		standing = p.standing(onlyOnce)
	}
	if standing.ref == "" {
		p.lacks(Needed, "No Observation could be created in either way.",
			"Read the transcript: what is refused, and with which code. Have creation allowed to us.")
		return
	}
	p.at("conditions", "trying updates onto a version")
	p.tryVersions(ctx, standing.ref)
	p.at("conditions", "trying transactions")
	p.tryTransactions(ctx, standing.ref)
}

// standing is the Observation of a name where it was found to stand.
func (p *probe) standing(n name) used {
	urn := parts(p.result(n))[0].urn
	for _, u := range p.used {
		if u.urn == urn && u.ref != "" {
			return u
		}
	}
	return used{}
}

// units are the UCUM codes of INR, the better one first.
var units = []string{"{INR}", "1"}

func (p *probe) tryConditional(ctx context.Context) {
	order := units
	if p.cfg.FHIR.INRUnit == "1" {
		order = []string{"1"}
	}
	var first answer
	var body []byte
	var one part
	for _, unit := range order {
		var err error
		if body, one, err = p.observation(onlyOnce, unit); err != nil {
			p.lacks(Needed, "The test Observation cannot be written down.", "Tell the makers of tidegate.")
			return
		}
		p.ways.unit = unit
		if first = p.create(ctx, one, body, one.identifier()); first.done() || first.class != outbound.Refused {
			break
		}
	}
	switch {
	case !first.done():
		p.ways.conditional, p.ways.unit = Refused, ""
		p.lacks(Told, "Conditional creation is refused: "+first.said()+".", "")
		return
	case p.ways.unit != order[0]:
		p.lacks(Wanted, `INR in {INR} is refused; as a plain number ("1") it is taken.`, `Write inr_unit: "1".`)
	}
	if !p.measureLag(ctx, one) {
		return
	}
	again := p.create(ctx, one, body, one.identifier())
	switch {
	case madeAnother(again) && p.seesLater(ctx, one, body):
		p.ways.conditional = Works
		p.lacks(Wanted, "If-None-Exist misses what was created just before: a second Observation was made. After twice lookup_wait it saw them.",
			"The daemon sends nothing again before lookup_wait is over. Let no second program file the same results. Ids of ours do without this doubt.")
		p.tryTogether(ctx)
	case madeAnother(again):
		p.ways.conditional = Ignored
		p.lacks(Wanted, fmt.Sprintf("If-None-Exist is ignored: the same Observation was created a second time (status %d).", again.Status),
			"Have it switched on, or let results go under ids of ours.")
	case again.done():
		p.ways.conditional = Works
		p.good(Wanted, "If-None-Exist keeps a second one away (status 200).")
		p.tryTogether(ctx)
	default:
		p.ways.conditional = Refused
		p.lacks(Wanted, "Conditional creation is refused where one is there already: "+again.said()+".", "R4 asks for status 200 and no effect.")
	}
}

func madeAnother(a answer) bool { return a.done() && a.Status != http.StatusOK }

// seesLater tries a third time after a pause: a server that only looks into a
// late index answers otherwise then. By now it holds two, which R4 answers
// with 412.
func (p *probe) seesLater(ctx context.Context, one part, body []byte) bool {
	p.pause(ctx, 2*p.cfg.LookupWait)
	third := p.create(ctx, one, body, one.identifier())
	return third.conditionFailed() || third.Status == http.StatusOK
}

// measureLag waits until a search shows what was written. One that shows it
// when first asked does not lag, however long the answer takes.
func (p *probe) measureLag(ctx context.Context, one part) bool {
	from, asked := p.s.Now(), 0
	p.ways.found = p.until(ctx, func() bool {
		asked++
		return len(p.search(ctx, one.typ, one.identifier()).Entries) > 0
	})
	if asked > 1 {
		p.ways.lag = p.s.Now().Sub(from)
	}
	if !p.ways.found {
		p.ways.conditional = Ignored
		p.lacks(Needed, fmt.Sprintf("A search by identifier does not show an Observation %s after it was created.", p.s.Patience),
			"Have the search parameter identifier of Observation switched on; an unknown outcome could never be looked up.")
		return false
	}
	if p.ways.lag > p.cfg.LookupWait {
		p.lacks(Needed, fmt.Sprintf("A search shows what was written only after %s, and lookup_wait is %s.", p.ways.lag.Round(time.Millisecond), p.cfg.LookupWait),
			"Write lookup_wait as below.")
	}
	return true
}

// tryTogether sends two conditional creations at once: servers find that hard.
// The daemon never does so with one result.
func (p *probe) tryTogether(ctx context.Context) {
	body, one, err := p.observation(together, p.ways.unit)
	if err != nil {
		return
	}
	p.writing(one)
	var answers [2]answer
	var both sync.WaitGroup
	for i := range answers {
		both.Go(func() {
			answers[i] = p.ask(ctx, "POST Observation, If-None-Exist, two at once", body, func(ctx context.Context, request string) (fhir.Answer, error) {
				return p.client.Create(ctx, request, one.typ, body, one.identifier().Query())
			})
		})
	}
	both.Wait()
	made := map[string]bool{}
	for _, a := range answers {
		if ref, _ := fhir.Place(a.Location); a.Status == http.StatusCreated && ref != "" {
			made[ref] = true
			p.stands(one, ref)
		}
	}
	if len(made) > 1 {
		p.lacks(Wanted, "Two conditional creations at once made two Observations.",
			"One sender at a time is safe, and the daemon keeps to that; let no second program file the same results. Ids of ours do without this doubt.")
		return
	}
	p.good(Told, "Two conditional creations at once made one Observation.")
}

// tryOwnIDs creates under an id of ours and tries the same once more.
func (p *probe) tryOwnIDs(ctx context.Context) used {
	unit := p.ways.unit
	if unit == "" {
		unit = told(p.cfg.FHIR.INRUnit, units[0])
	}
	body, one, err := p.observation(ourID, unit)
	if err != nil {
		return used{}
	}
	ref := one.ownRef()
	if body, err = withMember(body, "id", one.id()); err != nil {
		return used{}
	}
	p.writing(one)
	first := p.put(ctx, ref, body, fhir.Match{IfNoneMatch: "*"})
	if !first.done() {
		p.ways.ownIDs = Refused
		p.lacks(Told, "Creation under an id of ours is refused: "+first.said()+".", "")
		return used{}
	}
	p.stands(one, ref)
	p.ways.ownIDs = Works
	p.good(Wanted, "An Observation is created under an id of ours (status %d).", first.Status)
	switch again := p.put(ctx, ref, body, fhir.Match{IfNoneMatch: "*"}); {
	case again.conditionFailed() || again.Status == http.StatusNotModified:
		p.ways.noneMatch = Works
		p.good(Wanted, "If-None-Match: * keeps a second one away (status %d).", again.Status)
	case again.done():
		p.ways.noneMatch = Ignored
		p.lacks(Wanted, fmt.Sprintf("If-None-Match: * is ignored: the same PUT was carried out a second time (status %d).", again.Status),
			"A late request could overwrite a correction. Have it honoured; until then each creation is looked up before.")
	default:
		p.ways.noneMatch = Refused
		p.lacks(Wanted, "If-None-Match: * has no clear answer: "+again.said()+".", "R4 asks for status 412.")
	}
	return used{one, ref}
}

// tryVersions updates onto the current version, then onto the one before it.
func (p *probe) tryVersions(ctx context.Context, ref string) {
	got := p.read(ctx, ref)
	if !got.done() || got.ETag == "" {
		p.ways.stale = Ignored
		p.lacks(Needed, "What was filed comes back without a version: "+got.said()+".",
			"Have versions switched on (ETag, meta.versionId): without them a correction could overwrite what somebody else changed.")
		return
	}
	p.label(got)
	body, err := withMember(got.Body, "status", "amended")
	if err != nil {
		return
	}
	if a := p.put(ctx, ref, body, fhir.Match{IfMatch: got.ETag}); !a.done() {
		p.ways.stale = Ignored
		p.lacks(Needed, "An update onto the current version is refused: "+a.said()+".", "Have updates of Observation allowed to us.")
		return
	}
	p.good(Needed, "An update onto the current version is taken.")
	switch a := p.put(ctx, ref, body, fhir.Match{IfMatch: got.ETag}); {
	case a.conditionFailed():
		p.ways.stale = Works
		p.good(Needed, "An update onto an old version is refused (status %d).", a.Status)
	case a.done():
		p.ways.stale = Ignored
		p.lacks(Needed, fmt.Sprintf("If-Match is ignored: an update onto an old version was carried out (status %d).", a.Status),
			"Have it honoured: until then a correction could overwrite what somebody else changed.")
	default:
		p.ways.stale = Refused
		p.lacks(Needed, "An update onto an old version has no clear answer: "+a.said()+".", "R4 asks for status 412.")
	}
}

// label tells what became of the label in meta. The daemon writes none; a
// record system that drops labels drops those of others too.
func (p *probe) label(got answer) {
	e := Element{Resource: "Observation by itself", Element: "meta.security", Fate: Lost, Need: Told, Sent: testLabel}
	for _, s := range headOf(got.Body).Meta.Security {
		if s.Code == testLabel {
			e.Fate, e.Stored = Survived, testLabel
		}
	}
	p.rep.Elements = append(p.rep.Elements, e)
}

// tryTransactions has one carried out, then one that must fail as a whole.
func (p *probe) tryTransactions(ctx context.Context, ref string) {
	got := p.read(ctx, ref)
	if !got.done() {
		return
	}
	update := fhir.Write{FullURL: p.cfg.FHIR.BaseURL + "/" + ref, Method: http.MethodPut, URL: ref, IfMatch: got.ETag, Resource: got.Body}
	a := p.transact(ctx, "POST transaction of one update", update)
	if !a.done() || len(a.Entries) != 1 || a.Entries[0].Status >= 300 {
		p.ways.transaction = Refused
		p.lacks(Told, "Transactions are refused: "+a.said()+".", "")
		return
	}
	p.ways.transaction = Works
	p.good(Wanted, "A transaction is carried out.")
	if p.ways.stale != Works {
		return // what should make the next one fail would not
	}
	body, one, err := p.observation(allOrNone, told(p.ways.unit, units[0]))
	if err != nil {
		return
	}
	create := fhir.Write{FullURL: one.urn, Method: http.MethodPost, URL: one.typ, IfNoneExist: one.identifier().Query(), Resource: body}
	if p.ways.conditional != Works {
		if body, err = withMember(body, "id", one.id()); err != nil {
			return
		}
		create = fhir.Write{FullURL: one.urn, Method: http.MethodPut, URL: one.ownRef(), IfNoneMatch: "*", Resource: body}
	}
	p.writing(one)
	a = p.transact(ctx, "POST transaction of a creation and an update onto an old version", create, update)
	p.pause(ctx, p.ways.lag)
	left := p.search(ctx, one.typ, one.identifier())
	switch {
	case a.done():
		p.ways.whole = Ignored
		p.lacks(Wanted, "A transaction with an update onto an old version was carried out.", "Let resources go one by one, as the settings below say.")
	case left.done() && len(left.Entries) == 0:
		p.ways.whole = Works
		p.good(Wanted, "A transaction that fails leaves nothing behind.")
	default:
		p.ways.whole = Ignored
		p.lacks(Wanted, "A transaction that failed left a part of itself behind.", "Let resources go one by one, as the settings below say.")
	}
}

// pause waits, unless ctx ends.
func (p *probe) pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}
