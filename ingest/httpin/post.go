package httpin

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"os"
	"slices"
	"strings"

	"tidegate/fault"
	"tidegate/ingest"
	"tidegate/poct"
)

// retryAfter is the number of seconds after which a sender should try again.
const retryAfter = "5"

// serve answers one request. work is the inlet's context, not the request's: a
// sender that hangs up must not undo what is being stored.
func (i *Inlet) serve(work context.Context, w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	switch {
	case r.URL.Path != i.cfg.Path:
		refuse(w, http.StatusNotFound, "Nothing is at this address.")
		return
	case !i.known(r):
		w.Header().Set("WWW-Authenticate", `Bearer realm="tidegate"`)
		refuse(w, http.StatusUnauthorized, "Send the header Authorization: Bearer, followed by the inlet's token.")
		return
	case r.Method != http.MethodPost:
		w.Header().Set("Allow", http.MethodPost)
		refuse(w, http.StatusMethodNotAllowed, "Send one message as the body of a POST.")
		return
	}
	format, ok := formatOf(r.Header)
	if !ok {
		w.Header().Set("Accept", hl7Type+", text/csv, application/json, application/xml")
		refuse(w, http.StatusUnsupportedMediaType, "Send "+hl7Type+", text/csv, application/json or application/xml, not compressed, or leave Content-Type out.")
		return
	}
	raw, ok := i.body(w, r)
	if !ok {
		return
	}
	i.take(work, w, poct.Arrival{
		Inlet: i.s.ID, Source: i.s.ID, Received: i.s.Now(), Peer: r.RemoteAddr, Format: format, Raw: raw,
	})
}

// body reads the whole message, or answers why it cannot be taken.
func (i *Inlet) body(w http.ResponseWriter, r *http.Request) (raw []byte, ok bool) {
	raw, err := io.ReadAll(http.MaxBytesReader(w, r.Body, i.cfg.MaxBody))
	var large *http.MaxBytesError
	switch {
	case errors.As(err, &large):
		refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("A message may have %d bytes here.", i.cfg.MaxBody))
	case errors.Is(err, os.ErrDeadlineExceeded):
		w.Header().Set("Connection", "close")
		refuse(w, http.StatusRequestTimeout, "The message did not come whole in time. Send it again.")
	case err != nil:
		w.Header().Set("Connection", "close")
		refuse(w, http.StatusBadRequest, "The message did not come whole. Send it again.")
	case len(raw) == 0:
		refuse(w, http.StatusBadRequest, "The body is empty. Send one message as the body of the POST.")
	default:
		return raw, true
	}
	return nil, false
}

// answer is what a sender gets: the arrival's id, for a batch that of its first
// message. Messages lists those of a batch in their order.
type answer struct {
	Arrival  string          `json:"arrival"`
	Resent   bool            `json:"resent"` // all of it came before
	Messages []poct.Accepted `json:"messages,omitempty"`
}

// take stores every part before it answers.
func (i *Inlet) take(work context.Context, w http.ResponseWriter, whole poct.Arrival) {
	var got []poct.Accepted
	err := ingest.Guard(i.s.Log, func() (err error) {
		got, err = ingest.Put(work, i.s.Inbox, whole)
		return err
	})
	fault.Point("httpin.accepted")
	i.refused.Is(err)
	if err != nil {
		w.Header().Set("Retry-After", retryAfter)
		refuse(w, http.StatusServiceUnavailable, "It cannot be stored just now. Keep it and send it again.")
		return
	}
	out := answer{Arrival: got[0].Arrival, Resent: !slices.ContainsFunc(got, func(a poct.Accepted) bool { return !a.Resent })}
	if len(got) > 1 {
		out.Messages = got
	}
	write(w, http.StatusAccepted, "application/json", out)
}

func (i *Inlet) known(r *http.Request) bool {
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	digest := sha256.Sum256([]byte(strings.TrimSpace(token)))
	return subtle.ConstantTimeCompare(digest[:], i.token[:]) == 1 && strings.EqualFold(scheme, "Bearer")
}

// hl7Type is the media type of HL7 v2 in its usual encoding; common practice.
const hl7Type = "x-application/hl7-v2+er7"

// formatOf reads the Content-Type; "" lets the bytes tell. ok is false for
// what is surely none of the formats that are read.
func formatOf(h http.Header) (format string, ok bool) {
	if e := h.Get("Content-Encoding"); e != "" && !strings.EqualFold(e, "identity") {
		return "", false
	}
	header := h.Get("Content-Type")
	if header == "" {
		return "", true
	}
	t, _, err := mime.ParseMediaType(header)
	switch {
	case err != nil:
		return "", false
	case strings.Contains(t, "hl7-v2") || strings.Contains(t, "hl7v2"):
		return ingest.HL7v2, true
	case t == "text/csv":
		return ingest.CSV, true
	case t == "application/json", strings.HasSuffix(t, "+json"):
		return ingest.JSON, true
	case t == "application/xml", t == "text/xml", strings.HasSuffix(t, "+xml"):
		return ingest.XML, true
	case t == "text/plain", t == "application/octet-stream", t == "application/x-www-form-urlencoded":
		return "", true // what programs send that were not told
	}
	return "", false
}

// refuse answers with problem details (RFC 9457).
func refuse(w http.ResponseWriter, status int, detail string) {
	write(w, status, "application/problem+json", map[string]any{
		"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": detail,
	})
}

func write(w http.ResponseWriter, status int, contentType string, body any) {
	w.Header().Set("Content-Type", contentType)
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(body) // a lost answer only means that it comes once more
}
