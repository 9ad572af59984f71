package standin

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"time"
)

// Act is what one person does, through the HTTP API with a token of their own.
type Act struct {
	After int // the phase that has come to rest before
	Who   string
	Story string

	do      func(context.Context, *People, string) error
	recalls bool // opens a look-back on a lot
}

// People act on the day's results. They know what the API tells them, and are
// safe for concurrent use.
type People struct {
	api    string // base URL, ending in /api/v1/
	tokens map[string]string
	done   atomic.Int64
}

// NewPeople are those whose tokens these are, in front of the pages at an
// address such as http://127.0.0.1:8460/.
func NewPeople(pages string, tokens map[string]string) *People {
	return &People{api: pages + "api/v1/", tokens: tokens}
}

// Done counts the acts that were done.
func (p *People) Done() int { return int(p.done.Load()) }

// LookBacks counts the look-backs that are open and those that are closed.
func (p *People) LookBacks(ctx context.Context, who string) (open, closed int, err error) {
	for state, n := range map[string]*int{"open": &open, "closed": &closed} {
		var list struct{ LookBacks []struct{} }
		err = errors.Join(err, p.ask(ctx, who, "GET", "lookbacks?limit=1000&state="+state, nil, &list))
		*n = len(list.LookBacks)
	}
	return open, closed, err
}

// act does everything that follows a phase, in the order of the script, and
// tells of each.
func (p *People) act(ctx context.Context, acts []Act, phase int, tell func(Act)) error {
	for _, a := range acts {
		if a.After != phase {
			continue
		}
		if err := a.do(ctx, p, a.Who); err != nil {
			return fmt.Errorf("standin: %s, %s: %w", a.Who, a.Story, err)
		}
		p.done.Add(1)
		if tell != nil {
			tell(a)
		}
	}
	return nil
}

// rest waits until so many messages have come in and nothing is under way.
func (p *People) rest(ctx context.Context, arrivals int) error {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	tick := time.NewTicker(15 * time.Millisecond)
	defer tick.Stop()
	for {
		var a struct{ Arrivals, Waiting, Delivering int }
		if err := p.ask(ctx, "e.moss", "GET", "account", nil, &a); err != nil {
			return err
		}
		if a.Arrivals >= arrivals && a.Waiting+a.Delivering == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("standin: %d of %d messages came in, %d wait, %d are on their way: %w", a.Arrivals, arrivals, a.Waiting, a.Delivering, ctx.Err())
		case <-tick.C:
		}
	}
}

// ask sends JSON, or a body as it is, and reads the answer's JSON.
func (p *People) ask(ctx context.Context, who, method, path string, body, into any) error {
	kind, raw := "application/json", []byte(nil)
	switch b := body.(type) {
	case nil:
	case []byte:
		kind, raw = "text/csv", b
	default:
		var err error
		if raw, err = json.Marshal(b); err != nil {
			return err
		}
	}
	req, err := http.NewRequestWithContext(ctx, method, p.api+path, bytes.NewReader(raw))
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+p.tokens[who])
	req.Header.Set("Content-Type", kind)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil {
		return err
	}
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("%s %s: status %d: %s", method, path, res.StatusCode, answer)
	}
	if into == nil {
		return nil
	}
	return json.Unmarshal(answer, into)
}

// result is the id of a test, and its version.
func (p *People) result(ctx context.Context, who string, t test) (id string, version int, err error) {
	var found struct{ IDs []string }
	if err := p.ask(ctx, who, "POST", "find", map[string]string{"text": t.id()}, &found); err != nil {
		return "", 0, err
	}
	if len(found.IDs) != 1 {
		return "", 0, fmt.Errorf("%s leads to %d results", t.id(), len(found.IDs))
	}
	var r struct{ Versions []struct{ Version int } }
	if err := p.ask(ctx, who, "GET", "results/"+found.IDs[0]+"/trace", nil, &r); err != nil {
		return "", 0, err
	}
	for _, v := range r.Versions {
		version = max(version, v.Version)
	}
	return found.IDs[0], version, nil
}

// id is how people find a test: the meter and its number.
func (t test) id() string { return fmt.Sprintf("%s:%d", t.meter, t.seq) }

// settled is one act on the hold of a test.
func settled(phase int, who string, t test, act string, changes map[string]string, reason string) Act {
	return Act{After: phase, Who: who, Story: act + " " + t.id(), do: func(ctx context.Context, p *People, who string) error {
		id, _, err := p.result(ctx, who, t)
		if err != nil {
			return err
		}
		var trace struct {
			Holds []struct {
				ID      string
				Version int
				Open    bool
			}
		}
		if err := p.ask(ctx, who, "GET", "results/"+id+"/trace", nil, &trace); err != nil {
			return err
		}
		for _, h := range trace.Holds {
			if h.Open {
				return p.ask(ctx, who, "POST", "holds/"+h.ID+"/settle", map[string]any{"act": act, "version": h.Version, "changes": changes, "reason": reason}, nil)
			}
		}
		return errors.New("it is not held")
	}}
}

// called is one try to tell somebody of a critical result; value is what they
// read back, "" if nobody was reached.
func called(phase int, who string, t test, to, value, comment string) Act {
	return Act{After: phase, Who: who, Story: "call about " + t.id(), do: func(ctx context.Context, p *People, who string) error {
		id, _, err := p.result(ctx, who, t)
		if err != nil {
			return err
		}
		body := map[string]any{"to": to, "reached": value != "", "comment": comment}
		if value != "" {
			body["read_back"] = value
		}
		return p.ask(ctx, who, "POST", "results/"+id+"/call", body, nil)
	}}
}

// recalled brings the row of a lot anew, marked as recalled.
func recalled(phase int, who, lot string, rows table) Act {
	return Act{After: phase, Who: who, Story: "recall of lot " + lot, recalls: true, do: func(ctx context.Context, p *People, who string) error {
		var b bytes.Buffer
		if err := rows.write(&b); err != nil {
			return err
		}
		return p.ask(ctx, who, "POST", "registry/"+rows.name, b.Bytes(), nil)
	}}
}

// readBack types a lot's constants from the box.
func readBack(phase int, who, site, lot, isi, mnpt string) Act {
	return Act{After: phase, Who: who, Story: "read back " + lot, do: func(ctx context.Context, p *People, who string) error {
		return p.ask(ctx, who, "POST", "quality/lots/"+lot+"/read-back", map[string]string{"site": site, "isi": isi, "mnpt": mnpt}, nil)
	}}
}

// decided accepts or refuses a lot at a site.
func decided(phase int, who, site, lot, decision, reason string) Act {
	return Act{After: phase, Who: who, Story: lot + " " + decision, do: func(ctx context.Context, p *People, who string) error {
		return p.ask(ctx, who, "POST", "quality/lots/"+lot+"/decide", map[string]string{"site": site, "decision": decision, "reason": reason}, nil)
	}}
}

// acted records what was done to a meter.
func acted(phase int, who, meter, what string) Act {
	return Act{After: phase, Who: who, Story: "corrective action on " + meter, do: func(ctx context.Context, p *People, who string) error {
		return p.ask(ctx, who, "POST", "quality/controls/"+meter+"/actions", map[string]string{"what": what}, nil)
	}}
}

// judged says of one result of a look-back what becomes of it. The look-back is
// that of a control (meter:number) or of a recalled lot.
func judged(phase int, who, about string, t test, verdict, reason string) Act {
	return Act{After: phase, Who: who, Story: "look-back on " + about, do: func(ctx context.Context, p *People, who string) error {
		list, err := p.lookBack(ctx, who, about)
		if err != nil {
			return err
		}
		id, version, err := p.result(ctx, who, t)
		if err != nil {
			return err
		}
		return p.ask(ctx, who, "POST", "lookbacks/"+list+"/items/"+id, map[string]any{"judged": verdict, "version": version, "reason": reason}, nil)
	}}
}

func (p *People) lookBack(ctx context.Context, who, about string) (string, error) {
	control := ""
	if meter, number, ok := strings.Cut(about, ":"); ok {
		var found struct{ IDs []string }
		if err := p.ask(ctx, who, "POST", "find", map[string]string{"text": meter + ":" + number}, &found); err != nil {
			return "", err
		}
		control = strings.Join(found.IDs, " ")
	}
	var open struct {
		LookBacks []struct {
			ID       string
			Control  string
			Kind     string
			StripLot string `json:"strip_lot"`
		}
	}
	if err := p.ask(ctx, who, "GET", "lookbacks?limit=1000", nil, &open); err != nil {
		return "", err
	}
	for _, b := range open.LookBacks {
		if control != "" && b.Control == control || b.Kind == "recalled-lot" && b.StripLot == about {
			return b.ID, nil
		}
	}
	return "", fmt.Errorf("no look-back on %s is open", about)
}

// asked asks whether a meter may be used now, and knows the answer.
func asked(phase int, who, meter string, want bool) Act {
	return Act{After: phase, Who: who, Story: "may " + meter + " be used", do: func(ctx context.Context, p *People, who string) error {
		var r struct {
			Ready bool
			Why   []struct{ Text string }
		}
		if err := p.ask(ctx, who, "GET", "meters/"+url.PathEscape(meter)+"/readiness", nil, &r); err != nil {
			return err
		}
		if r.Ready != want || !r.Ready && len(r.Why) == 0 {
			return fmt.Errorf("told ready %v, because %v", r.Ready, r.Why)
		}
		return nil
	}}
}
