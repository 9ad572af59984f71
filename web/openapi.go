package web

import (
	"maps"
	"net/http"
	"strings"
)

// apiDoc is what the API's description says of one route; the description is
// made from the table of routes, so that neither can be without the other.
type apiDoc struct {
	id      string
	summary string
	query   []param
	body    []content // empty: no body
	answer  content   // of status 200
	refuses []int     // beyond 401, 403 and 500
}

type param struct{ name, kind, what string }

// content is a media type and the name of its schema.
type content struct{ media, schema string }

func jsonOf(schema string) content { return content{"application/json", schema} }

var octets = content{"application/octet-stream", "Bytes"}

var (
	docAccount   = &apiDoc{id: "account", summary: "Where everything that came in has ended: the sum that must add up.", answer: jsonOf("Account")}
	docListeners = &apiDoc{id: "listeners", summary: "The bound address of each inlet, by inlet id.", answer: jsonOf("Listeners")}
	docHolds     = &apiDoc{id: "holds", summary: "What waits, oldest first. A look.", answer: jsonOf("HoldList"), refuses: []int{400},
		query: []param{{"state", "string", "settled for those that were settled; else open ones"}, {"after", "string", "the id of the last hold of the page before"}, {"limit", "integer", "1 to 1000, else 100"}}}
	docHold   = &apiDoc{id: "hold", summary: "One hold with its problems. A look.", answer: jsonOf("Hold"), refuses: []int{404}}
	docSettle = &apiDoc{id: "settle", summary: "Correct, release, discard or retry, with a reason of ten characters or more. version is the hold's version that the person saw: 409 if somebody was faster, 422 if the check allows it to nobody.",
		body: []content{jsonOf("Settle")}, answer: jsonOf("Hold"), refuses: []int{400, 404, 409, 415, 422}}
	docArrival     = &apiDoc{id: "arrival", summary: "An arrival without its bytes.", answer: jsonOf("Arrival"), refuses: []int{404}}
	docRaw         = &apiDoc{id: "arrivalRaw", summary: "An arrival's bytes as they came; for an engineer with the patient masked. A look.", answer: octets, refuses: []int{404}}
	docResult      = &apiDoc{id: "result", summary: "A result at its newest version. A look.", answer: jsonOf("Result"), refuses: []int{404}}
	docTrace       = &apiDoc{id: "trace", summary: "A result's whole life: versions, events, receipts, holds. A look.", answer: jsonOf("Trace"), refuses: []int{404}}
	docAcknowledge = &apiDoc{id: "acknowledge", summary: "Record a call about a critical result: whom, and the value as they read it back; or, with reached false, that nobody was reached, which leaves the call open.",
		body: []content{jsonOf("Acknowledge")}, answer: jsonOf("Acknowledged"), refuses: []int{400, 404, 409, 415, 422}}
	docMeters     = &apiDoc{id: "meters", summary: "Meters, whether each may be used now and why not, and their controls of the last 24 hours; nothing of patients.", answer: jsonOf("Meters")}
	docCheckpoint = &apiDoc{id: "checkpoint", summary: "The ledger's newest signed head, as a signed note.", answer: content{"text/plain", "Text"}, refuses: []int{404}}
	docProof      = &apiDoc{id: "proof", summary: "That event n stands under the newest signed head.", answer: jsonOf("Proof"), refuses: []int{400, 404}}
	docFind       = &apiDoc{id: "find", summary: "Ids of results and arrivals by any id, or by a patient's number, alone or with the birth date. Newest first.",
		body: []content{jsonOf("Find")}, answer: jsonOf("Found"), refuses: []int{400, 403, 415, 422}}
	docRegistry = &apiDoc{id: "registry", summary: "Add and change registry rows of one kind; each refused line is reported, the others are taken.",
		query: []param{{"dry_run", "boolean", "true to be told only what would happen"}},
		body:  []content{{"text/csv", "Text"}, jsonOf("Rows")}, answer: jsonOf("ImportReport"), refuses: []int{404, 413, 415}}
	docExport = &apiDoc{id: "export", summary: "The auditor's pack: events, bytes and proofs that can be checked offline.",
		body: []content{jsonOf("Export")}, answer: octets, refuses: []int{400, 404, 415, 422}}
	docOpenAPI = &apiDoc{id: "openapi", summary: "This description.", answer: jsonOf("Any")}
)

type object = map[string]any

func (w *Server) apiOpenAPI(rw http.ResponseWriter, _ *http.Request, _ caller) error {
	return answer(rw, openAPI(w.s.Version))
}

// openAPI describes the API in OpenAPI 3.1.
func openAPI(version string) object {
	if version == "" {
		version = "0"
	}
	paths := object{}
	for _, r := range table() {
		if r.doc == nil {
			continue
		}
		item, _ := paths[r.path].(object)
		if item == nil {
			item = object{}
			paths[r.path] = item
		}
		item[strings.ToLower(r.method)] = operation(r)
	}
	return object{
		"openapi": "3.1.0",
		"info": object{"title": "tidegate", "version": version, "license": object{"name": "Apache-2.0", "identifier": "Apache-2.0"},
			"description": "Results from point-of-care meters on their way to the record. Not a medical device: limits are set by the laboratory's director, local codes and licensed practice come first."},
		"servers":    []object{{"url": "/"}},
		"security":   []object{{"token": []string{}}, {"session": []string{}}},
		"paths":      paths,
		"components": object{"securitySchemes": securitySchemes(), "schemas": allSchemas()},
	}
}

func securitySchemes() object {
	return object{
		"token":   object{"type": "http", "scheme": "bearer"},
		"session": object{"type": "apiKey", "in": "cookie", "name": cookieName},
	}
}

func operation(r route) object {
	d := r.doc
	params := []object{}
	for _, part := range strings.Split(r.path, "/") {
		if name, ok := strings.CutPrefix(part, "{"); ok {
			name = strings.TrimSuffix(name, "}")
			kind := "string"
			if name == "n" {
				kind = "integer"
			}
			params = append(params, object{"name": name, "in": "path", "required": true, "schema": object{"type": kind}})
		}
	}
	for _, q := range d.query {
		params = append(params, object{"name": q.name, "in": "query", "description": q.what, "schema": object{"type": q.kind}})
	}
	answers := object{"200": object{"description": "As asked.", "content": contents(d.answer)}}
	for _, status := range append([]int{401, 403, 500}, d.refuses...) {
		answers[itoa(status)] = object{"description": whenRefused(status), "content": contents(content{"application/problem+json", "Problem"})}
	}
	op := object{"operationId": d.id, "summary": d.summary, "description": "Open to: " + list(r.may, "and") + ".", "responses": answers}
	if len(params) > 0 {
		op["parameters"] = params
	}
	if len(d.body) > 0 {
		op["requestBody"] = object{"required": true, "content": contents(d.body...)}
	}
	return op
}

func contents(cs ...content) object {
	out := object{}
	for _, c := range cs {
		out[c.media] = object{"schema": object{"$ref": "#/components/schemas/" + c.schema}}
	}
	return out
}

func whenRefused(status int) string {
	switch status {
	case 401:
		return "No token or session, or one that is not known."
	case 403:
		return "Not open to this role, or not this person's to settle."
	case 404:
		return "Nothing has this id at the caller's sites."
	case 409:
		return "Somebody else was faster; nothing was done."
	case 413:
		return "More than 32 MiB."
	case 415:
		return "Another media type is needed."
	case 422:
		return "Something is to be put right, or the check allows this act to nobody."
	case 500:
		return "A failure of ours; it is logged."
	}
	return "The request cannot be read."
}

func allSchemas() object {
	all := schemas()
	maps.Copy(all, qualitySchemas())
	maps.Copy(all, supervisionSchemas())
	maps.Copy(all, accessSchemas())
	maps.Copy(all, outletSchemas())
	return all
}

// schemas names the shapes. They say what a caller may rely on: members may be added.
func schemas() object {
	text, whole, yes, at := object{"type": "string"}, object{"type": "integer"}, object{"type": "boolean"}, object{"type": "string", "format": "date-time"}
	ref := func(name string) object { return object{"$ref": "#/components/schemas/" + name} }
	many := func(of object) object { return object{"type": "array", "items": of} }
	texts := object{"type": "object", "additionalProperties": text}
	shape := func(required string, members object) object {
		o := object{"type": "object", "properties": members}
		if required != "" {
			o["required"] = strings.Fields(required)
		}
		return o
	}
	ends := object{}
	for _, e := range []string{"delivered", "filed", "held", "duplicate", "ignored", "discarded", "waiting", "delivering"} {
		ends[e] = whole
	}
	account := object{"arrivals": whole, "lost": whole, "resends": whole, "readings": shape("delivered filed held duplicate ignored discarded", ends)}
	for e := range ends {
		account[e] = whole
	}
	return object{
		"Any": object{"type": "object"}, "Text": text, "Bytes": object{"type": "string", "contentEncoding": "binary"},
		"Problem": shape("type title status", object{"type": text, "title": text, "status": whole, "detail": text, "code": text,
			"faults": many(shape("field text", object{"field": text, "text": text}))}),
		"Account":   shape("arrivals delivered filed held duplicate ignored discarded lost resends readings", account),
		"Listeners": texts,
		"Finding": shape("check code severity text", object{"check": text, "code": text, "severity": object{"type": "string", "enum": []string{"hold", "flag", "note"}},
			"field": text, "text": text, "remedy": text, "limit": text, "because": text}),
		"CheckAnswer": shape("check code answer", object{"check": text, "code": text,
			"answer": object{"type": "string", "enum": []string{"pass", "problem", "cannot tell", "not asked"}}, "limit": text, "why": text}),
		"Reading": object{"type": "object", "description": "What the arrival says, in tidegate's words; texts as sent."},
		"Hold": shape("id version open arrival result opened cause critical called site problems reading", object{"id": text, "version": whole, "open": yes,
			"arrival": text, "result": text, "delivery": whole, "opened": at, "cause": text, "critical": yes, "called": yes, "site": text,
			"problems": many(ref("Finding")), "reading": ref("Reading"), "settled": object{"type": "object"}}),
		"HoldList": shape("holds total", object{"holds": many(ref("Hold")), "total": whole, "next": text}),
		"Settle": shape("act version reason", object{"act": object{"type": "string", "enum": []string{"correct", "release", "discard", "retry"}}, "version": whole,
			"changes": texts, "reason": object{"type": "string", "minLength": 10}}),
		"Arrival":  shape("id state inlet received peer bytes sha256", object{"id": text, "state": text, "inlet": text, "received": at, "peer": text, "format": text, "bytes": whole, "sha256": text, "position": whole, "fault": text, "result": text}),
		"Delivery": shape("delivery outlet action state", object{"delivery": whole, "outlet": text, "action": text, "state": text, "next_try": at}),
		"Result": shape("id state version result verdict problems checks deliveries", object{"id": text, "state": text, "site": text, "version": whole, "result": object{"type": "object"},
			"verdict": text, "problems": many(ref("Finding")), "checks": many(ref("CheckAnswer")), "deliveries": many(ref("Delivery"))}),
		"Event": shape("index time kind actor", object{"index": whole, "time": at, "kind": text, "actor": text, "arrival": text, "result": text, "version": whole, "hold": text, "outlet": text, "digest": text}),
		"Trace": shape("id state arrivals versions events receipts holds", object{"id": text, "key": text, "state": text, "site": text, "arrivals": many(text), "versions": many(object{"type": "object"}),
			"events": many(ref("Event")), "receipts": many(object{"type": "object"}), "holds": many(ref("Hold"))}),
		"Acknowledge":  shape("to", object{"to": object{"type": "string", "minLength": 1}, "reached": yes, "read_back": text, "comment": text}),
		"Acknowledged": shape("result told", object{"result": text, "told": text}),
		"Meters":       shapeOf[meterList](),
		"Proof": shape("index leaf leaf_hash size root path key checkpoint", object{"index": whole, "leaf": object{"type": "string", "contentEncoding": "base64"}, "leaf_hash": text,
			"size": whole, "root": text, "path": many(text), "key": text, "checkpoint": text, "signed_at": at}),
		"Find":         shape("", object{"text": text, "patient": text, "birth_date": object{"type": "string", "format": "date"}}),
		"Found":        shape("ids", object{"ids": many(text)}),
		"Rows":         many(object{"type": "object"}),
		"ImportReport": shape("added changed refused", object{"added": whole, "changed": whole, "dry_run": yes, "refused": many(shape("line reason", object{"line": whole, "column": text, "reason": text}))}),
		"Export":       shape("ids", object{"ids": many(text)}),
	}
}
