package standin

import (
	"bytes"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"sync"
	"time"
)

// FaultKind names how an answer goes wrong.
type FaultKind int

// Kinds of fault. With Fault.Apply the request takes effect first, so the
// sender cannot tell from what it sees whether it did.
const (
	NoFault      FaultKind = iota
	Drop                   // the connection closes without an answer
	Reset                  // the connection is reset while the request is read; never applied
	Status                 // answered with Fault.Status and Fault.RetryAfter
	HTMLPage               // 200 with a page of HTML
	ErrorOutcome           // 200 with an OperationOutcome that tells of an error
	EmptyAnswer            // 201 without body, Location or ETag
)

// Fault is what happens to one request. Delay comes first, with any kind.
type Fault struct {
	Kind       FaultKind
	Apply      bool
	Status     int
	RetryAfter string
	Delay      time.Duration
}

// Plan decides the fault of each request; n counts the requests from 0.
type Plan func(n int64, req *http.Request) Fault

// IsWrite reports whether a request would change something.
func IsWrite(req *http.Request) bool {
	return req.Method == http.MethodPost || req.Method == http.MethodPut
}

// Next plans these faults for the next writes, one each, then none.
func Next(list ...Fault) Plan {
	var mu sync.Mutex
	return func(_ int64, req *http.Request) Fault {
		if !IsWrite(req) {
			return Fault{}
		}
		mu.Lock()
		defer mu.Unlock()
		if len(list) == 0 {
			return Fault{}
		}
		f := list[0]
		list = list[1:]
		return f
	}
}

// Random gives a share (0 to 1) of all requests one of the faults, by seed.
func Random(seed uint64, share float64, list ...Fault) Plan {
	var mu sync.Mutex
	rnd := rand.New(rand.NewPCG(seed, seed))
	return func(int64, *http.Request) Fault {
		mu.Lock()
		defer mu.Unlock()
		if rnd.Float64() >= share {
			return Fault{}
		}
		return list[rnd.IntN(len(list))]
	}
}

type faults struct {
	mu     sync.Mutex
	plan   Plan
	outage *Fault
}

// Plan sets what goes wrong from now on; nil ends it.
func (r *Record) Plan(p Plan) {
	r.faults.mu.Lock()
	defer r.faults.mu.Unlock()
	r.faults.plan = p
}

// Outage gives every request this fault until it is called with nil.
func (r *Record) Outage(f *Fault) {
	r.faults.mu.Lock()
	defer r.faults.mu.Unlock()
	r.faults.outage = f
}

func (f *faults) of(n int64, req *http.Request) Fault {
	f.mu.Lock()
	plan, outage := f.plan, f.outage
	f.mu.Unlock()
	if outage != nil {
		return *outage
	}
	if plan == nil {
		return Fault{}
	}
	return plan(n, req)
}

const largest = 16 << 20

// ServeHTTP answers one request: fault plan, token, route.
func (r *Record) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	n := r.requests.Add(1) - 1
	fault := r.faults.of(n, req)
	if fault.Kind == Reset {
		r.log.add(r.access(req, nil, 0))
		reset(w, req)
		return
	}
	body, err := io.ReadAll(io.LimitReader(req.Body, largest+1))
	if err != nil {
		panic(http.ErrAbortHandler) // the sender went away in the middle
	}
	if fault.Delay > 0 {
		t := time.NewTimer(fault.Delay)
		select {
		case <-t.C:
		case <-req.Context().Done():
			t.Stop()
		}
	}
	rep := reply{}
	if fault.Kind == NoFault || fault.Apply {
		rep = r.mannered(r.answer(req, body))
	}
	rep = fault.spoil(rep)
	r.log.add(r.access(req, body, rep.status))
	if fault.Kind == Drop {
		panic(http.ErrAbortHandler)
	}
	h := w.Header()
	h.Set("Content-Type", fhirJSON)
	if id := req.Header.Get("X-Request-Id"); id != "" {
		h.Set("X-Request-Id", id)
	}
	for k, v := range rep.header {
		h.Set(k, v)
	}
	w.WriteHeader(rep.status)
	_, _ = w.Write(rep.body) // the reader may be gone: its own business
}

func (r *Record) answer(req *http.Request, body []byte) reply {
	if len(body) > largest {
		return refuse(http.StatusRequestEntityTooLarge, "too-long", "at most 16 MiB")
	}
	if !r.allowed(req) {
		return refuse(http.StatusUnauthorized, "login", "a token is needed").with("WWW-Authenticate", "Bearer")
	}
	return r.route(req, body)
}

// spoil turns the right answer into the wrong one.
func (f Fault) spoil(p reply) reply {
	switch f.Kind {
	case Status:
		out := refuse(f.Status, issueFor(f.Status), "made up for this request")
		if f.RetryAfter != "" {
			out = out.with("Retry-After", f.RetryAfter)
		}
		return out
	case HTMLPage:
		return reply{status: http.StatusOK, body: []byte("<html><body>Welcome</body></html>")}.with("Content-Type", "text/html")
	case ErrorOutcome:
		return refuse(http.StatusOK, "exception", "made up for this request")
	case EmptyAnswer:
		return reply{status: http.StatusCreated}
	}
	return p
}

// issueFor is the issue code that fits a status, of
// hl7.org/fhir/R4/valueset-issue-type.html.
func issueFor(status int) string {
	switch status {
	case http.StatusUnauthorized:
		return "login"
	case http.StatusForbidden:
		return "forbidden"
	case http.StatusNotFound:
		return "not-found"
	case http.StatusConflict, http.StatusPreconditionFailed:
		return "conflict"
	case http.StatusRequestEntityTooLarge:
		return "too-long"
	case http.StatusTooManyRequests:
		return "throttled"
	}
	if status < http.StatusInternalServerError {
		return "processing"
	}
	return "transient"
}

// reset reads a little of the request, then breaks the connection so that the
// sender sees a reset instead of an orderly end.
func reset(w http.ResponseWriter, req *http.Request) {
	_, _ = io.CopyN(io.Discard, req.Body, 16)
	h, ok := w.(http.Hijacker)
	if !ok {
		panic(http.ErrAbortHandler)
	}
	conn, _, err := h.Hijack()
	if err != nil {
		panic(http.ErrAbortHandler)
	}
	if tcp, ok := conn.(*net.TCPConn); ok {
		_ = tcp.SetLinger(0)
	}
	_ = conn.Close()
}

// Access is one request as the record saw it.
type Access struct {
	At      time.Time
	Method  string
	URL     string // path and query
	Status  int    // what was answered or would have been; 0 for a reset
	Request string // X-Request-Id
	IfMatch string
	Body    []byte // only with Options.KeepBodies
}

func (r *Record) access(req *http.Request, body []byte, status int) Access {
	a := Access{
		At: r.now(), Method: req.Method, URL: req.URL.RequestURI(), Status: status,
		Request: req.Header.Get("X-Request-Id"), IfMatch: req.Header.Get("If-Match"),
	}
	if r.opt.KeepBodies {
		a.Body = bytes.Clone(body)
	}
	return a
}

// accessLog keeps the last entries.
type accessLog struct {
	mu   sync.Mutex
	most int
	ring []Access
	next int
}

func (l *accessLog) add(a Access) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.ring) < l.most {
		l.ring = append(l.ring, a)
		return
	}
	l.ring[l.next] = a
	l.next = (l.next + 1) % l.most
}

// AccessLog lists the last requests, oldest first.
func (r *Record) AccessLog() []Access {
	r.log.mu.Lock()
	defer r.log.mu.Unlock()
	return append(append([]Access(nil), r.log.ring[r.log.next:]...), r.log.ring[:r.log.next]...)
}

// Requests counts all requests so far.
func (r *Record) Requests() int64 { return r.requests.Load() }
