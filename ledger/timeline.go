package ledger

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"tidegate/poct"
)

// Mark stands beside a step that is more than ordinary.
type Mark string

// Marks of a step; an ordinary one has none and is drawn as a dot.
const (
	MarkHeld      Mark = "held"
	MarkWaiting   Mark = "waiting"
	MarkDelivered Mark = "delivered"
)

// longGap is from when a gap between two steps is drawn as one.
const longGap = 10 * time.Minute

// Step is an event in words, for a person. Neither title nor detail holds
// anything that identifies a patient, nor a value; a detail may quote the
// reason that a person gave.
type Step struct {
	Index  int64         `json:"index"`
	Time   time.Time     `json:"time"`
	Gap    time.Duration `json:"gap"`  // since the step before; 0 for the first
	Long   bool          `json:"long"` // the gap is longer than 10 minutes
	Title  string        `json:"title"`
	Detail string        `json:"detail"`
	Mark   Mark          `json:"mark,omitempty"`
	Actor  string        `json:"actor"`
}

// After is the gap in words: "+ 9 ms", "+ 0.4 s", "+ 4 min", "+ 1 h 51 min";
// "" for the first step.
func (s Step) After() string {
	switch g := s.Gap; {
	case g <= 0:
		return ""
	case g < 100*time.Millisecond:
		return fmt.Sprintf("+ %d ms", max(g.Milliseconds(), 1))
	case g < 950*time.Millisecond:
		return fmt.Sprintf("+ %.1f s", g.Seconds())
	case g < time.Minute:
		return fmt.Sprintf("+ %.0f s", g.Seconds())
	case g < time.Hour:
		return fmt.Sprintf("+ %d min", int(g.Minutes()))
	case g < 24*time.Hour:
		return fmt.Sprintf("+ %d h %d min", int(g.Hours()), int(g.Minutes())%60)
	default:
		return fmt.Sprintf("+ %d d %d h", int(g.Hours())/24, int(g.Hours())%24)
	}
}

// Timeline tells a trace's events as steps, in ledger order.
func Timeline(t poct.Trace) []Step {
	n := narrator{trace: t, receipts: slices.Clone(t.Receipts)}
	steps := make([]Step, 0, len(t.Events))
	for i, e := range t.Events {
		s := Step{Index: e.Index, Time: e.Time, Actor: e.Actor}
		if i > 0 {
			s.Gap = e.Time.Sub(t.Events[i-1].Time)
			s.Long = s.Gap > longGap
		}
		s.Title, s.Detail, s.Mark = n.tell(e)
		steps = append(steps, s)
	}
	return steps
}

// narrator puts events into words. What the events' payloads no longer say
// after an erasure it takes from versions, holds and receipts.
type narrator struct {
	trace    poct.Trace
	receipts []poct.Receipt // not yet told
}

func (n *narrator) tell(e poct.Event) (title, detail string, mark Mark) {
	p := ReadPayload(e)
	by := " by " + e.Actor
	switch e.Kind {
	case poct.EventReceived:
		return counted("Received %d bytes", p.Bytes, "Received"), join(named("inlet ", p.Inlet, ""), "kept unchanged"), ""
	case poct.EventResent:
		return "The same bytes came again", "answered as at first, no new arrival", ""
	case poct.EventRead:
		return named("Read with profile ", p.Profile, "Read"), join(plural(p.Readings, "reading"), version(e)), ""
	case poct.EventReleased:
		return n.released(e)
	case poct.EventFiled:
		return "Filed", "kept and used here, never sent to a record", ""
	case poct.EventHeld:
		return n.held(e, p)
	case poct.EventDuplicate:
		return "Taken for a duplicate", join(named("rule ", p.Rule, ""), "not sent again"), ""
	case poct.EventIgnored:
		return named("Ignored by rule ", p.Rule, "Ignored"), "kept, never sent to a record", ""
	case poct.EventWaiting:
		return "Waiting for a look-up", "the registry did not answer", MarkWaiting
	case poct.EventLooked:
		return "Opened" + by, shown(p.Fields), ""
	case poct.EventCorrected:
		return fields(n.changed(e, p)) + " corrected" + by, join(n.reason(e, p), version(e)), ""
	case poct.EventOverridden:
		return "Released as it is" + by, join(n.reason(e, p), version(e)), ""
	case poct.EventDiscarded:
		return "Discarded" + by, join(n.reason(e, p), "never reaches the record, stays readable here"), ""
	case poct.EventRetried:
		return "Send again, asked" + by, join(n.reason(e, p), "the same bytes once more"), ""
	case poct.EventCalled:
		return "Critical result acknowledged" + by, n.reason(e, p), ""
	case poct.EventCallTried:
		return "Nobody reached: called" + by, n.reason(e, p), MarkWaiting
	case poct.EventLookBack:
		return "Look-back opened", "results since the last pass are in doubt", ""
	case poct.EventWidened:
		return "Look-back widened" + by, n.reason(e, p), ""
	case poct.EventDoubted:
		return "In doubt: to be looked at again", p.Reason, MarkWaiting
	case poct.EventJudged:
		return judged(p) + by, n.reason(e, p), ""
	case poct.EventTakenBack:
		return "Withdrawn" + by, join(n.reason(e, p), "the record is told, the old value stays readable here"), ""
	case poct.EventRejudged:
		return "Judged again by itself", p.Reason, ""
	case poct.EventIntent:
		return named("Sending to outlet ", e.Outlet, "Sending"), join(string(p.Action), counted("%d bytes", p.Bytes, ""),
			"fixed before the first byte left"), ""
	case poct.EventUnknown:
		n.receipt(e)
		return named("Outlet ", e.Outlet, "An outlet") + " gave no answer", "looked up first, then sent again", MarkWaiting
	case poct.EventRetry:
		return named("Outlet ", e.Outlet, "An outlet") + " could not take it now", join(n.answer(e, p), "tried again later"), MarkWaiting
	case poct.EventDelivered:
		return named("Accepted by outlet ", e.Outlet, "Accepted by the record"), n.answer(e, p), MarkDelivered
	case poct.EventRefused:
		return named("Refused by outlet ", e.Outlet, "Refused"), join(n.answer(e, p), "set aside for a person"), MarkHeld
	case poct.EventCancelled:
		return "Cancelled before it was sent", named("outlet ", e.Outlet, ""), ""
	case poct.EventPaused:
		return named("Outlet ", e.Outlet, "An outlet") + " paused" + by, n.reason(e, p), MarkWaiting
	case poct.EventResumed:
		return named("Outlet ", e.Outlet, "An outlet") + " resumed" + by, n.reason(e, p), ""
	case poct.EventRegistry:
		return "Registry changed" + by, "", ""
	case poct.EventStarted:
		return "tidegate started", "", ""
	case poct.EventStopped:
		return "tidegate stopped", "", ""
	case poct.EventInlet:
		return named("Noticed at inlet ", p.Inlet, "Noticed at an inlet"), "no arrival", ""
	case poct.EventProbed:
		return named("Go-live probe of outlet ", e.Outlet, "Go-live probe") + by, "", ""
	case poct.EventExported:
		return "Pack exported" + by, "", ""
	}
	return sentence(string(e.Kind)), "", ""
}

// judged is what a person said of a result in doubt.
func judged(p Payload) string {
	var more struct {
		Judged poct.Judged `json:"judged"`
	}
	_ = json.Unmarshal(p.More, &more) // erased: then it was judged, without more words
	switch more.Judged {
	case poct.Stands:
		return "Found to stand"
	case poct.RepeatAsked:
		return "Repeat asked for"
	case poct.TakenBack:
		return "Withdrawn"
	}
	return "Looked at again"
}

// released counts the checks behind a release.
func (n *narrator) released(e poct.Event) (string, string, Mark) {
	v, ok := n.version(e)
	switch {
	case ReadPayload(e).Action == poct.Withdraw:
		return "To be withdrawn from the record", version(e), ""
	case !ok:
		return "Checks passed", version(e), ""
	case v.Result.Noted:
		return "To be marked in the record", version(e), ""
	}
	answers := count(v.Checks)
	title := fmt.Sprintf("All %d checks passed", answers[poct.Pass])
	if answers[poct.Pass] != asked(answers) {
		title = fmt.Sprintf("%d of %d checks passed, none holds", answers[poct.Pass], asked(answers))
	}
	if len(v.Checks) == 0 {
		title = "Checks passed"
	}
	return title, join(notAsked(answers), version(e)), ""
}

// held names the first problem that makes a cause of its own, by its code.
func (n *narrator) held(e poct.Event, p Payload) (string, string, Mark) {
	problems := p.Problems
	v, ok := n.version(e)
	if len(problems) == 0 && ok {
		problems = v.Problems
	}
	for _, h := range n.trace.Holds {
		if len(problems) == 0 && h.ID == e.Hold {
			problems = h.Problems
		}
	}
	title, waiting, holding := "Held", 0, 0
	for _, problem := range problems {
		switch {
		case problem.Severity != poct.Hold:
		case problem.Because != "":
			waiting++
		default:
			if holding++; holding == 1 {
				title = "Held: " + strings.ReplaceAll(problem.Code, "-", " ")
			}
		}
	}
	var parts []string
	if answers := count(v.Checks); ok && answers[poct.Pass] > 0 {
		parts = append(parts, fmt.Sprintf("%d checks passed", answers[poct.Pass]))
	}
	if holding > 0 {
		parts = append(parts, fmt.Sprintf("%d held", holding))
	}
	if waiting > 0 {
		parts = append(parts, fmt.Sprintf("%d wait for it", waiting))
	}
	return title, strings.Join(parts, ", "), MarkHeld
}

func (n *narrator) version(e poct.Event) (poct.VersionRecord, bool) {
	for _, v := range n.trace.Versions {
		if v.Version == e.Version && (e.Result == "" || v.Result.ID == "" || v.Result.ID == e.Result) {
			return v, true
		}
	}
	return poct.VersionRecord{}, false
}

func (n *narrator) settlement(e poct.Event) poct.Settlement {
	for _, h := range n.trace.Holds {
		if h.ID == e.Hold && e.Hold != "" && h.Settled != nil {
			return *h.Settled
		}
	}
	return poct.Settlement{}
}

func (n *narrator) changed(e poct.Event, p Payload) []string {
	if len(p.Fields) > 0 {
		return p.Fields
	}
	var names []string
	for name := range n.settlement(e).Changes {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func (n *narrator) reason(e poct.Event, p Payload) string {
	if p.Reason == "" {
		p.Reason = n.settlement(e).Reason
	}
	if p.Reason == "" {
		return ""
	}
	return "“" + p.Reason + "”"
}

// receipt takes the next untold receipt of the event's outlet.
func (n *narrator) receipt(e poct.Event) (poct.Receipt, bool) {
	i := slices.IndexFunc(n.receipts, func(r poct.Receipt) bool { return r.Outlet == e.Outlet })
	if i < 0 {
		return poct.Receipt{}, false
	}
	r := n.receipts[i]
	n.receipts = slices.Delete(n.receipts, i, i+1)
	return r, true
}

// answer is an outlet's answer: status, class where it is not a plain yes,
// and the ids that the record system gave.
func (n *narrator) answer(e poct.Event, p Payload) string {
	r, ok := n.receipt(e)
	if ok && p.Status == 0 {
		p.Status = r.Status
	}
	if ok && p.Class == "" {
		p.Class = r.Class
	}
	if ok && len(p.Remote) == 0 {
		for name, id := range r.Remote {
			if !strings.HasPrefix(name, "etag/") && !strings.Contains(strings.ToLower(id), "patient/") {
				p.Remote = append(p.Remote, id)
			}
		}
		slices.Sort(p.Remote)
	}
	status := ""
	if p.Status != 0 {
		status = strings.TrimSpace(fmt.Sprintf("%d %s", p.Status, http.StatusText(p.Status)))
	}
	if p.Class == string(poct.Delivered) {
		p.Class = ""
	}
	return joinWith(", ", status, p.Class, strings.Join(p.Remote, ", "))
}

func count(checks []poct.CheckAnswer) map[poct.Answer]int {
	answers := map[poct.Answer]int{}
	for _, c := range checks {
		answers[c.Answer]++
	}
	return answers
}

func asked(answers map[poct.Answer]int) int {
	return answers[poct.Pass] + answers[poct.Found] + answers[poct.CannotTell]
}

func notAsked(answers map[poct.Answer]int) string {
	return counted("%d not asked", answers[poct.NotAsked], "")
}

func version(e poct.Event) string { return counted("version %d", e.Version, "") }

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun + " found"
	}
	return counted("%d "+noun+"s found", n, "")
}

// counted is the sentence with its number, or without one where it is 0.
func counted(format string, n int, none string) string {
	if n == 0 {
		return none
	}
	return fmt.Sprintf(format, n)
}

// named is the words with their name, or others where there is no name.
func named(words, name, none string) string {
	if name == "" {
		return none
	}
	return words + name
}

func shown(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return strings.ToLower(fields(names)) + " shown"
}

// fields names fields in words: "Strip lot, operator".
func fields(names []string) string {
	if len(names) == 0 {
		return "Facts"
	}
	return sentence(strings.Join(names, ", "))
}

// sentence turns a name such as strip_lot or send-again into words.
func sentence(name string) string {
	words := strings.NewReplacer("_", " ", "-", " ").Replace(name)
	_, first := utf8.DecodeRuneInString(words)
	return strings.ToUpper(words[:first]) + words[first:]
}

func join(parts ...string) string { return joinWith("; ", parts...) }

func joinWith(separator string, parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), separator)
}
