package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/user"
	"strings"
	"time"

	"tidegate/app"
	"tidegate/config"
	"tidegate/poct"
	"tidegate/probe"
)

type probeCmd struct {
	configFlag
	Outlet      string        `required:"" placeholder:"ID" help:"The outlet to probe, of kind fhir."`
	Patient     string        `placeholder:"-" help:"- reads the test patient from standard input: authority, number, and the birth date if it is to be compared."`
	PatientFile string        `placeholder:"FILE" type:"existingfile" help:"The same from a file, such as: MILLRACE 9990017 1900-01-01"`
	TestPatient bool          `name:"this-is-a-test-patient" help:"Say so: the patient is nobody, and is kept for tests. Without it nothing is sent."`
	Report      string        `placeholder:"FILE" help:"Write the report to this new file, with transcript and room for signatures."`
	Patience    time.Duration `default:"1m" help:"How long one delivery may take, and a search to show what was written."`
	JSON        bool          `help:"Print the report as JSON."`
}

// Run probes and prints the report; exit 1 if something needed is missing.
// That it was run is an event of the ledger, if there is a data folder.
func (c *probeCmd) Run(ctx context.Context, s *streams) error {
	if err := c.refusal(); err != nil {
		return err
	}
	patient, err := c.patient(s.in)
	if err != nil {
		return err
	}
	cfg, err := c.load(s)
	if err != nil {
		return err
	}
	r, err := app.Probe(ctx, cfg, c.Outlet, patient, probe.Settings{
		By: osUser(), Version: version, Patience: c.Patience,
		Progress: func(step string) { fmt.Fprintln(s.err, step) },
	})
	if err != nil {
		return wrongUse("%w", err)
	}
	if c.Report != "" {
		if err := writeNew(c.Report, r.Document()); err != nil {
			return fmt.Errorf("write the report: %w", err)
		}
	}
	if c.JSON {
		err = printJSON(s.out, r)
	} else {
		_, err = io.WriteString(s.out, r.Text())
	}
	if err = errors.Join(err, record(context.WithoutCancel(ctx), s, cfg, r)); err != nil {
		return err
	}
	if !r.Good {
		return problems()
	}
	return nil
}

// refusal is why nothing is begun.
func (c *probeCmd) refusal() error {
	if !c.TestPatient {
		return wrongUse("a probe files results that nobody measured. Choose a patient who is nobody and is kept for tests, have it allowed there, and add --this-is-a-test-patient")
	}
	if (c.Patient == "") == (c.PatientFile == "") {
		return wrongUse("name the test patient in one way: --patient-file FILE, or --patient - with a line on standard input")
	}
	if c.Patient != "" && c.Patient != "-" {
		return wrongUse("a patient number on the command line can be seen by others; write --patient - and give it on standard input")
	}
	if c.Report != "" {
		if _, err := os.Lstat(c.Report); !errors.Is(err, fs.ErrNotExist) {
			return wrongUse("%s is there already, and may be signed; name a new file", c.Report)
		}
	}
	if c.Patience < time.Second {
		return wrongUse("a patience of %s is too short to tell slow from broken; write at least 1s", c.Patience)
	}
	return nil
}

func (c *probeCmd) patient(in io.Reader) (poct.Patient, error) {
	if c.PatientFile != "" {
		f, err := os.Open(c.PatientFile)
		if err != nil {
			return poct.Patient{}, wrongUse("read the test patient: %w", err)
		}
		defer f.Close()
		in = f
	}
	line, err := bufio.NewReader(io.LimitReader(in, 4<<10)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return poct.Patient{}, fmt.Errorf("read the test patient: %w", err)
	}
	authority, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
	p := poct.Patient{Authority: authority, ID: strings.TrimSpace(rest)}
	if i := strings.LastIndexByte(p.ID, ' '); i > 0 && isDate(p.ID[i+1:]) {
		p.ID, p.BirthDate = strings.TrimSpace(p.ID[:i]), p.ID[i+1:]
	}
	if p.ID == "" {
		return p, wrongUse("the test patient needs a line with authority and number, and the birth date if it is to be compared: MILLRACE 9990017 1900-01-01")
	}
	return p, nil
}

// writeNew writes a file that was not there, whole and for its owner alone.
func writeNew(path string, b []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Sync(), f.Close())
}

// record notes in the ledger that the probe was run.
func record(ctx context.Context, s *streams, cfg *config.Config, r probe.Report) error {
	if _, err := os.Stat(cfg.DataDir); errors.Is(err, fs.ErrNotExist) {
		fmt.Fprintf(s.err, "%s is not there, so no ledger tells of this probe; keep the report\n", cfg.DataDir)
		return nil
	}
	cl, err := dial(ctx, cfg, "")
	if err != nil {
		return fmt.Errorf("the probe is done, but not in the ledger: %w", err)
	}
	err = cl.call(ctx, "POST", strings.TrimPrefix(app.ProbesPath, "/api/v1/"), app.Probed{Outlet: r.Outlet, Good: r.Good, SHA256: r.SHA256}, nil)
	if err = errors.Join(err, cl.close()); err != nil {
		return fmt.Errorf("the probe is done, but not in the ledger: %w", err)
	}
	return nil
}

func osUser() string {
	if u, err := user.Current(); err == nil {
		return u.Username + " at this machine"
	}
	return fmt.Sprintf("user %d at this machine", os.Getuid())
}
