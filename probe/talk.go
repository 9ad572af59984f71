package probe

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"

	"tidegate/outbound"
	"tidegate/wire/fhir"
)

// answer is one of the record system's, and what outbound makes of it.
type answer struct {
	fhir.Answer
	class outbound.Class
}

func (a answer) done() bool { return a.class == outbound.Done }

// said is the answer in a few words; never the server's own text, which may
// speak of a patient.
func (a answer) said() string {
	if a.Status == 0 {
		return "no answer"
	}
	var codes []string
	for _, i := range a.Outcome {
		if i.Failed() && plain(i.Code) {
			codes = append(codes, i.Code)
		}
	}
	text := fmt.Sprintf("status %d", a.Status)
	if len(codes) > 0 {
		text += " (" + strings.Join(codes, ", ") + ")"
	}
	return text
}

func plain(code string) bool {
	return len(code) <= 40 && strings.Trim(code, "abcdefghijklmnopqrstuvwxyz-") == ""
}

// ask makes one request and notes it. what names method, type and condition.
func (p *probe) ask(ctx context.Context, what string, body []byte, do func(ctx context.Context, id string) (fhir.Answer, error)) answer {
	p.mu.Lock()
	p.sent++
	id := fmt.Sprintf("tidegate-probe-%.8s-%d", p.rep.Run, p.sent)
	p.mu.Unlock()
	ctx, cancel := context.WithTimeout(ctx, p.cfg.Timeout)
	defer cancel()
	got, err := do(ctx, id)
	a := answer{got, outbound.Classify(got, err)}
	p.exchange(Exchange{What: what, Request: got.RequestID, Status: got.Status, Answer: a.said(), SHA256: digest(body)})
	return a
}

func (p *probe) create(ctx context.Context, one part, body []byte, id fhir.Identifier) answer {
	what, condition := "POST "+one.typ, ""
	if id.Value != "" {
		what, condition = what+", If-None-Exist", id.Query()
	}
	p.writing(one)
	a := p.ask(ctx, what, body, func(ctx context.Context, request string) (fhir.Answer, error) {
		return p.client.Create(ctx, request, one.typ, body, condition)
	})
	if a.done() {
		ref, _ := fhir.Place(a.Location)
		p.stands(one, ref)
	}
	return a
}

func (p *probe) put(ctx context.Context, ref string, body []byte, m fhir.Match) answer {
	typ, _, _ := strings.Cut(ref, "/")
	what := "PUT " + typ
	switch {
	case m.IfNoneMatch != "":
		what += ", If-None-Match: *"
	case m.IfMatch != "":
		what += ", If-Match: " + m.IfMatch
	}
	return p.ask(ctx, what, body, func(ctx context.Context, request string) (fhir.Answer, error) {
		return p.client.Put(ctx, request, ref, body, m)
	})
}

func (p *probe) transact(ctx context.Context, what string, entries ...fhir.Write) answer {
	body := fhir.Transaction(entries)
	return p.ask(ctx, what, body, func(ctx context.Context, request string) (fhir.Answer, error) {
		return p.client.Transact(ctx, request, body)
	})
}

func (p *probe) read(ctx context.Context, ref string) answer {
	typ, _, _ := strings.Cut(ref, "/")
	return p.ask(ctx, "GET "+typ, nil, func(ctx context.Context, request string) (fhir.Answer, error) {
		return p.client.Read(ctx, request, ref)
	})
}

func (p *probe) search(ctx context.Context, typ string, id fhir.Identifier) answer {
	return p.ask(ctx, "search "+typ+" by identifier", nil, func(ctx context.Context, request string) (fhir.Answer, error) {
		return p.client.Search(ctx, request, typ, id)
	})
}

// head is what the probe reads of any resource.
type head struct {
	Type   string `json:"resourceType"`
	ID     string `json:"id"`
	Status string `json:"status"`
	Meta   struct {
		Security []struct{ Code string } `json:"security"`
	} `json:"meta"`
}

func headOf(raw json.RawMessage) head {
	var h head
	_ = json.Unmarshal(raw, &h) // what cannot be read has no id, and is told as such
	return h
}

func (h head) ref() string {
	if h.Type == "" || h.ID == "" {
		return ""
	}
	return h.Type + "/" + h.ID
}

// condition tells an answer to a conditional request apart from a refusal of
// conditions as such: 412 where the condition failed, or 409 as some do
// (hl7.org/fhir/R4/http.html#update).
func (a answer) conditionFailed() bool {
	return (a.Status == http.StatusPreconditionFailed || a.Status == http.StatusConflict) && !a.Has("not-supported")
}
