package outbound

import (
	"context"
	"fmt"
	"net/http"
	"reflect"
	"strings"
	"sync/atomic"

	"tidegate/fault"
	"tidegate/poct"
	"tidegate/wire/fhir"
)

// recordSystem is a FHIR R4 server as a destination.
type recordSystem struct {
	cfg      Config
	s        Settings
	client   *fhir.Client
	sign     credentials
	caps     atomic.Pointer[fhir.Caps]
	patients *patients
	shared   *shared
	parsed   parsed
	habits   habits
	partial  counts // look-ups that found a transaction half there
}

func newRecordSystem(cfg Config, s Settings) (*recordSystem, error) {
	client, sign, err := newClient(cfg, s)
	if err != nil {
		return nil, err
	}
	return &recordSystem{
		cfg: cfg, s: s, client: client, sign: sign,
		patients: &patients{age: cfg.FHIR.IDAge, by: map[poct.Patient]known{}},
		shared:   newShared(cfg.FHIR.IDAge),
	}, nil
}

// Refresh reads the CapabilityStatement.
func (r *recordSystem) Refresh(ctx context.Context) error {
	caps, a, err := r.client.Capabilities(ctx, "")
	if err == nil && !a.OK() {
		err = fmt.Errorf("metadata: status %d", a.Status)
	}
	if err != nil {
		return err
	}
	if caps.FHIRVersion != "" && !strings.HasPrefix(caps.FHIRVersion, "4.0") {
		return fmt.Errorf("metadata: FHIR version %s, this outlet speaks 4.0", caps.FHIRVersion)
	}
	if old := r.caps.Swap(&caps); old != nil && !reflect.DeepEqual(*old, caps) {
		r.habits.noneMatch.Store(noneMatchUnknown) // another release
	}
	return nil
}

// SignInAgain gets new credentials, from the secret's file or the token endpoint.
func (r *recordSystem) SignInAgain() (bool, error) { return r.sign.refresh() }

func (r *recordSystem) stop(c Class, p *poct.Problem) Answered { return Answered{Class: c, Problem: p} }

// Send writes what was committed: all at once or one by one. A form that the
// record system turns out not to take at all is changed for one that it does.
func (r *recordSystem) Send(ctx context.Context, d poct.Delivery) Answered {
	s, err := r.parsed.take(d)
	if err != nil {
		return r.stop(Refused, problemUnrendered(r.cfg.ID))
	}
	for {
		shaped := r.shaped(s)
		if shaped.steps {
			return r.sendSteps(ctx, d, shaped)
		}
		out, got := r.sendWhole(ctx, d, shaped)
		if out.Class != Configuration || !r.turned(got, shaped) {
			return r.explained(out, got, d)
		}
	}
}

// sendWhole posts the entries as a transaction.
func (r *recordSystem) sendWhole(ctx context.Context, d poct.Delivery, s sent) (Answered, fhir.Answer) {
	for _, e := range s.entries {
		if a := r.unseen(ctx, d, e); a.Class != Done {
			return a, fhir.Answer{}
		}
	}
	body := d.Body
	if r.habits.noOwnIDs.Load() || r.habits.noCondition.Load() {
		body = s.bundle()
	}
	step, cancel := context.WithTimeout(ctx, r.cfg.Timeout)
	defer cancel()
	a, err := r.client.Transact(step, requestID(d), body)
	fault.Point("outbound.sent")
	out := r.answered(Classify(a, err), a)
	if out.Class != Done {
		return out, a
	}
	if len(a.Entries) != len(s.entries) {
		out.Class, out.Note = Unknown, "answered for another number of entries"
		return out, a
	}
	out.Remote = map[string]string{}
	there := map[string]string{}
	for i, e := range s.entries {
		got := a.Entries[i]
		ref, version := fhir.Place(got.Location)
		if ref == "" {
			ref = e.ref()
		}
		if ref == "" || got.Status < 200 || got.Status > 299 {
			out.Class, out.Note = Unknown, "answered without ids"
			return out, a
		}
		r.learn(out.Remote, e, d.Result, ref, got.ETag, version)
		there[e.FullURL] = ref
		if e.result() && e.Method == http.MethodPost {
			out.Confirm = out.Confirm || d.Intent || d.Unsure
			if got.Status == http.StatusOK { // it was there before: is it ours?
				if stop, ok := r.compare(ctx, e, ref, out.Remote, d); !ok {
					return stop, a
				}
			}
		}
		if d.Action == poct.Withdraw && e.result() && !e.ownID() {
			out.Confirm = true
		}
	}
	r.findOut(ctx, s, there)
	return out, a
}

// learn notes where an entry went and which version it is there.
func (r *recordSystem) learn(remote map[string]string, e sentEntry, res poct.Result, ref, etag, version string) {
	key := e.key(res)
	if _, taken := remote[key]; taken {
		return // a twin that was withdrawn beside ours
	}
	remote[key] = ref
	if etag == "" && version != "" {
		etag = `W/"` + version + `"`
	}
	if etag != "" {
		remote["etag/"+key] = etag
	}
}

// compare reads what a conditional create met.
func (r *recordSystem) compare(ctx context.Context, e sentEntry, ref string, remote map[string]string, d poct.Delivery) (Answered, bool) {
	stored, etag, a := r.stored(ctx, ref)
	if a.Class != Done {
		a.Class = Unknown // written or met: the look-up will tell
		a.Problem = nil
		return a, false
	}
	if !e.accepts(stored, d) {
		return r.stop(Ambiguous, problemDiffers(r.cfg.ID)), false
	}
	remote["etag/"+e.key(d.Result)] = etag
	return Answered{}, true
}

// answered takes over what every answer tells.
func (r *recordSystem) answered(c Class, a fhir.Answer) Answered {
	out := Answered{Class: c, Status: a.Status, Request: a.RequestID, Pause: pauseOf(a, r.s.Now())}
	var codes []string
	for _, i := range a.Outcome {
		if i.Failed() && len(codes) < 3 {
			codes = append(codes, issueNote(i))
		}
	}
	out.Note = strings.Join(codes, "; ")
	return out
}

// issueNote is an issue's code and place. Its text is the other side's own and
// may speak of a patient: it is left out.
func issueNote(i fhir.Issue) string {
	note := plain(i.Code)
	for _, e := range i.Expression {
		if p := plain(e); p != "" {
			return note + " at " + p
		}
	}
	return note
}

// plain lets through what a code or an element path is made of, and nothing
// that could carry a value.
func plain(s string) string {
	if len(s) > 80 || strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789.[]-/") != "" {
		return ""
	}
	return s
}

// explained adds the problem to an answer that only a person can settle.
func (r *recordSystem) explained(out Answered, a fhir.Answer, d poct.Delivery) Answered {
	if out.Problem != nil { // the reason is known better already
		return out
	}
	switch out.Class {
	case Refused:
		r.patients.forget(d.Result.Patient) // it may be gone, and the next look-up should see it
		r.shared.forgetAll()
		out.Problem = problemRefused(r.cfg.ID, out.Note)
	case Ambiguous:
		out.Problem = problemAmbiguous(r.cfg.ID)
	case Configuration:
		out.Problem = problemConfiguration(r.cfg.ID, a.Status)
	}
	return out
}

// requestID goes with the request into the other side's log.
func requestID(d poct.Delivery) string {
	return fmt.Sprintf(writing+"%d-%d-%d", d.ID, d.Epoch, d.Attempts)
}

// writing begins the id of each request that is to write, and of no other.
const writing = "tidegate-"
