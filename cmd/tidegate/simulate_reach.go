package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"tidegate/app"
	"tidegate/config"
	"tidegate/ingest"
	"tidegate/ingest/folder"
	"tidegate/ingest/httpin"
	"tidegate/ingest/jetstream"
	"tidegate/ingest/lis"
	"tidegate/ingest/mllp"
	"tidegate/ingest/poct1a"
	"tidegate/poct"
	"tidegate/standin"
)

// daemon is the one that the fleet sends to, as far as it can be asked; nil
// answers nothing.
type daemon struct{ client *client }

// daemon finds the running daemon: by its address, or by the socket in the
// data folder. It never opens the data folder itself.
func (c *simulateCmd) daemon(ctx context.Context, cfg *config.Config) (*daemon, error) {
	network, at := "unix", filepath.Join(cfg.DataDir, app.SocketName)
	cl := &client{}
	if c.API != "" {
		network, at = "tcp", c.API
		if !c.Far && !ingest.Loopback(c.API) {
			return nil, farAway([]string{"--api " + c.API})
		}
	}
	if c.TokenFile != "" {
		var err error
		if cl.token, err = fileText(c.TokenFile); err != nil {
			return nil, wrongUse("read the access token: %w", err)
		}
	}
	var d net.Dialer
	conn, err := d.DialContext(ctx, network, at)
	switch {
	case err != nil && c.API != "":
		return nil, wrongUse("no daemon answers at %s", c.API)
	case err != nil:
		return nil, nil
	}
	_ = conn.Close()
	cl.http = &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) { return d.DialContext(ctx, network, at) },
	}}
	return &daemon{cl}, nil
}

func (d *daemon) account(ctx context.Context) (*standin.Became, error) {
	if d == nil {
		return nil, nil
	}
	var a poct.Account
	if err := d.client.call(ctx, "GET", "account", nil, &a); err != nil {
		return nil, err
	}
	b := becameOf(a)
	return &b, nil
}

func (d *daemon) listeners(ctx context.Context) (map[string]string, error) {
	at := map[string]string{}
	if d == nil {
		return at, nil
	}
	return at, d.client.call(ctx, "GET", "listeners", nil, &at)
}

// inlets lists where the fleet can send: addresses as given, else as the daemon
// has bound them, else as configured.
func (c *simulateCmd) inlets(ctx context.Context, s *streams, cfg *config.Config, d *daemon) ([]standin.FleetInlet, error) {
	given := map[string]string{}
	for _, t := range c.Target {
		id, at, ok := strings.Cut(t, "=")
		if !ok || !slices.ContainsFunc(cfg.Inlets, func(in config.Inlet) bool { return in.ID == id }) {
			return nil, wrongUse("--target %s; write the id of an inlet, = and its address", t)
		}
		given[id] = at
	}
	bound, err := d.listeners(ctx)
	if err != nil {
		return nil, err
	}
	var out []standin.FleetInlet
	for i := range cfg.Inlets {
		in := &cfg.Inlets[i]
		if len(given) > 0 && given[in.ID] == "" {
			continue
		}
		f, why, err := fleetInlet(cfg, in, bound[in.ID], given[in.ID])
		if err != nil {
			return nil, err
		}
		if why != "" {
			fmt.Fprintf(s.err, "inlet %s left out: %s\n", in.ID, why)
			continue
		}
		out = append(out, f)
	}
	return out, nil
}

// fleetInlet is one inlet as meters see it, or why they cannot send there.
func fleetInlet(cfg *config.Config, in *config.Inlet, bound, given string) (f standin.FleetInlet, why string, err error) {
	f = standin.FleetInlet{ID: in.ID, Way: standin.Way(in.Kind), Addr: bound, Reads: dialects(cfg, in)}
	secured := false
	listen := ""
	switch part := in.Config.(type) {
	case *mllp.Config:
		listen, secured = part.Listen, part.TLS != nil
	case *poct1a.Config:
		listen, secured = part.Listen, part.TLS != nil
	case *lis.Config:
		listen, secured = part.Listen, part.TLS != nil
		if part.Mode != "" && part.Mode != "framed" {
			return f, "the fleet speaks LIS01, not bare records", nil
		}
		if part.Serial != "" {
			return f, "it is a serial port, and the fleet speaks over TCP", nil
		}
	case *folder.Config:
		f.Addr = part.Path
	case *httpin.Config:
		listen, secured = part.Listen, part.TLS.CertFile != ""
		if f.Token, err = fileText(part.TokenFile); err != nil {
			return f, "", wrongUse("read the token of inlet %s: %w", in.ID, err)
		}
	case *jetstream.Config:
		if f.Addr == "" && part.URL != jetstream.Embedded {
			f.Addr = part.URL
		}
		if f.Addr == "" {
			listen = "nats://" + part.Listen
		}
		secured = part.CredsFile != "" || strings.HasPrefix(part.URL, "tls:")
		f.Subject = strings.NewReplacer(">", "fleet", "*", "fleet").Replace(part.Subject)
	}
	if f.Addr == "" {
		f.Addr = listen
	}
	if given != "" {
		f.Addr = given
	}
	switch {
	case secured:
		return f, "the fleet has no certificates or credentials", nil
	case strings.HasSuffix(f.Addr, ":0"):
		return f, "its port is chosen at the start, and no daemon runs on this configuration that could be asked", nil
	}
	if push, ok := in.Config.(*httpin.Config); ok && !strings.Contains(f.Addr, "://") {
		f.Addr = "http://" + f.Addr + push.WithDefaults().Path
	}
	return f, "", nil
}

func dialects(cfg *config.Config, in *config.Inlet) (out []standin.Dialect) {
	for _, p := range cfg.Profiles {
		if p.Kind == "" && slices.Contains(in.Profiles, p.ID) {
			out = append(out, standin.Dialect{Model: p.Model, Format: p.Format})
		}
	}
	return out
}

// near refuses a set-up that reaches beyond this machine: an invented result
// in a live record can harm a patient.
func (c *simulateCmd) near(cfg *config.Config, inlets []standin.FleetInlet) error {
	if c.Far {
		return nil
	}
	var far []string
	look := func(what, address string) {
		for _, a := range strings.Split(address, ",") {
			if a != "" && !ofThisMachine(a) {
				far = append(far, what+" at "+a)
			}
		}
	}
	for _, in := range inlets {
		if in.Way != standin.Folder {
			look("inlet "+in.ID, in.Addr)
		}
	}
	for _, o := range cfg.Outlets {
		for _, a := range []string{o.FHIR.BaseURL, o.HL7v2.Address, o.JetStream.URL} {
			look("outlet "+o.ID, a)
		}
	}
	for _, n := range cfg.Notify {
		look("notify "+n.ID, n.URL)
	}
	if len(far) > 0 {
		return farAway(far)
	}
	return nil
}

func farAway(what []string) error {
	return wrongUse("%s is not of this machine; a fleet is for test set-ups. If this is one, write --far", strings.Join(what, ", "))
}

// ofThisMachine tells whether a URL or host:port is on loopback.
func ofThisMachine(address string) bool {
	if u, err := url.Parse(address); err == nil && u.Host != "" {
		port := u.Port()
		if port == "" {
			port = "80"
		}
		return ingest.Loopback(net.JoinHostPort(u.Hostname(), port))
	}
	return ingest.Loopback(address)
}
