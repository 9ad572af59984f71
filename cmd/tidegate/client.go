package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"tidegate/app"
	"tidegate/config"
)

// ownConfig is read where no configuration is named: the daemon's folder is
// the place where one asks about it.
const ownConfig = "tidegate.yaml"

// configFlag is shared by every command that works on one configuration.
type configFlag struct {
	Config string `default:"${ownConfig}" placeholder:"FILE" type:"existingfile" help:"The configuration file; without it, ${ownConfig} in this folder."`
}

// load reads the configuration or tells all its faults at once.
func (c configFlag) load(s *streams) (*config.Config, error) {
	cfg, faults := config.Load(c.Config)
	if len(faults) > 0 {
		for _, f := range faults {
			fmt.Fprintln(s.err, f)
		}
		return nil, &exit{code: 2, err: fmt.Errorf("%s has %s; nothing was started", c.Config, count(len(faults), "fault"))}
	}
	return cfg, nil
}

// client speaks to the HTTP API: of the running daemon through its socket,
// or, where none runs, of this very process, which then owns the data folder
// for as long as the command takes. So each act and look is an event with a
// person, whichever way it is done.
type client struct {
	http  *http.Client
	token string
	close func() error
}

// connect reads the configuration and dials.
func (c configFlag) connect(ctx context.Context, s *streams, tokenFile string) (*client, error) {
	cfg, err := c.load(s)
	if err != nil {
		return nil, err
	}
	return dial(ctx, cfg, tokenFile)
}

// dial finds the daemon or opens the data folder. tokenFile may be "": then
// the socket's user is the actor, who may look but not settle.
func dial(ctx context.Context, cfg *config.Config, tokenFile string) (*client, error) {
	c := &client{close: func() error { return nil }}
	if tokenFile != "" {
		b, err := os.ReadFile(tokenFile)
		if err != nil {
			return nil, wrongUse("read the access token: %w", err)
		}
		c.token = strings.TrimSpace(string(b))
	}
	socket := filepath.Join(cfg.DataDir, app.SocketName)
	var d net.Dialer
	if conn, err := d.DialContext(ctx, "unix", socket); err == nil {
		_ = conn.Close()
		c.http = &http.Client{Transport: &http.Transport{
			DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return d.DialContext(ctx, "unix", socket) },
		}}
		return c, nil
	}
	local, err := app.OpenLocal(cfg)
	if err != nil {
		return nil, ownerError(err)
	}
	c.http, c.close = &http.Client{Transport: inProcess{local.Handler()}}, local.Close
	return c, nil
}

// ownerError gives a data folder that belongs to another daemon its exit code.
func ownerError(err error) error {
	if app.Refused(err) {
		return &exit{code: 2, err: err}
	}
	return err
}

// call sends one request and decodes a JSON answer into out (nil: not decoded).
func (c *client) call(ctx context.Context, method, path string, body any, out any) error {
	var r io.Reader
	contentType := ""
	switch b := body.(type) {
	case nil:
	case []byte:
		r, contentType = bytes.NewReader(b), "text/csv"
	default:
		j, err := json.Marshal(body)
		if err != nil {
			return err
		}
		r, contentType = bytes.NewReader(j), "application/json"
	}
	req, err := http.NewRequestWithContext(ctx, method, "http://tidegate/api/v1/"+path, r)
	if err != nil {
		return err
	}
	if contentType != "" {
		req.Header.Set("Content-Type", contentType)
	}
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	res, err := c.http.Do(req)
	if err != nil {
		return fmt.Errorf("ask the daemon: %w", err)
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	if err != nil {
		return fmt.Errorf("read the daemon's answer: %w", err)
	}
	if res.StatusCode >= 300 {
		return refusal(res.StatusCode, answer)
	}
	if raw, ok := out.(*[]byte); ok {
		*raw = answer
		return nil
	}
	if out == nil {
		return nil
	}
	return json.Unmarshal(answer, out)
}

// refusal turns problem details into an error with an exit code: 1 for what
// the record or the person does not allow, 2 for a question put wrongly.
func refusal(status int, body []byte) error {
	var p struct{ Title, Detail string }
	_ = json.Unmarshal(body, &p)
	text := p.Detail
	if p.Title != http.StatusText(status) {
		text = strings.TrimSpace(p.Title + " " + p.Detail)
	}
	if text == "" {
		text = http.StatusText(status)
	}
	switch {
	case status == http.StatusNotFound, status == http.StatusConflict, status == http.StatusUnprocessableEntity, status == http.StatusForbidden:
		return &exit{code: 1, err: errors.New(text)}
	case status == http.StatusUnauthorized || status == http.StatusBadRequest:
		return &exit{code: 2, err: errors.New(text)}
	}
	return errors.New(text)
}

// inProcess serves requests by a handler in this process.
type inProcess struct{ h http.Handler }

func (p inProcess) RoundTrip(r *http.Request) (*http.Response, error) {
	w := &memoryWriter{header: http.Header{}, status: http.StatusOK}
	if r.Body == nil {
		r.Body = http.NoBody
	}
	r.RequestURI = r.URL.RequestURI()
	p.h.ServeHTTP(w, r)
	return &http.Response{
		StatusCode: w.status, Header: w.header, Request: r, Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1,
		Body: io.NopCloser(&w.body), ContentLength: int64(w.body.Len()),
	}, nil
}

type memoryWriter struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (w *memoryWriter) Header() http.Header         { return w.header }
func (w *memoryWriter) WriteHeader(n int)           { w.status = n }
func (w *memoryWriter) Write(b []byte) (int, error) { return w.body.Write(b) }

// printJSON writes indented JSON, as --json does everywhere.
func printJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// count is a number with its noun: "1 fault", "2 faults".
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
