package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"tidegate/web"
)

type traceCmd struct {
	configFlag
	ID        string `arg:"" optional:"" help:"Result, arrival, control id, meter:sequence, or record-system id."`
	Patient   string `placeholder:"-" help:"- reads a patient number from standard input, and the birth date behind it where two people could share the number (never from the command line, where others can see it)."`
	TokenFile string `placeholder:"FILE" help:"Access token of the person who looks; without it the user of this machine."`
	JSON      bool   `help:"Print JSON."`
}

// Run prints every step of what it finds. This look is an event.
func (c *traceCmd) Run(ctx context.Context, s *streams) error {
	if (c.ID == "") == (c.Patient == "") {
		return wrongUse("name one thing to trace: an id, or --patient - with the number on standard input")
	}
	if c.Patient != "" && c.Patient != "-" {
		return wrongUse("a patient number on the command line can be seen by others; write --patient - and give it on standard input")
	}
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	ask := map[string]string{"text": c.ID}
	if c.Patient == "-" {
		if ask, err = patientFrom(s.in); err != nil {
			return err
		}
	}
	var found struct {
		IDs []string `json:"ids"`
	}
	if err := cl.call(ctx, "POST", "find", ask, &found); err != nil {
		return err
	}
	if len(found.IDs) == 0 {
		return &exit{code: 1, err: fmt.Errorf("nothing found. That is not \"never measured\": the meter may not have connected")}
	}
	traces := []json.RawMessage{}
	for _, id := range found.IDs {
		var raw json.RawMessage
		if err := cl.call(ctx, "GET", "results/"+url.PathEscape(id)+"/trace", nil, &raw); err != nil {
			return err
		}
		traces = append(traces, raw)
	}
	if c.JSON {
		if len(traces) == 1 {
			return printJSON(s.out, traces[0])
		}
		return printJSON(s.out, traces)
	}
	for _, raw := range traces {
		var t web.PrintedTrace
		if err := json.Unmarshal(raw, &t); err != nil {
			return err
		}
		printTrace(s, t)
	}
	return nil
}

// patientFrom reads the question from the first line of standard input:
// "40018842" or "40018842 1951-04-17".
func patientFrom(in io.Reader) (map[string]string, error) {
	line, err := bufio.NewReader(in).ReadString('\n')
	if err != nil && err != io.EOF {
		return nil, err
	}
	line = strings.TrimSpace(line)
	if line == "" {
		return nil, wrongUse("no patient number on standard input; write it on the first line, alone or with the birth date: 40018842 1951-04-17")
	}
	ask := map[string]string{"patient": line}
	if i := strings.LastIndexByte(line, ' '); i > 0 && isDate(line[i+1:]) {
		ask = map[string]string{"patient": strings.TrimSpace(line[:i]), "birth_date": line[i+1:]}
	}
	return ask, nil
}

func isDate(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

func printTrace(s *streams, t web.PrintedTrace) {
	fmt.Fprintf(s.out, "%s  %s\n", t.ID, t.State)
	for _, step := range t.Steps {
		fmt.Fprintf(s.out, "  %s  %8d  %s\n", step.Time.Format("2006-01-02 15:04:05.000"), step.Index, step.Title)
		if step.Detail != "" {
			fmt.Fprintf(s.out, "  %s  %s\n", strings.Repeat(" ", 33), step.Detail)
		}
	}
}

type exportCmd struct {
	configFlag
	IDs       []string `arg:"" name:"id" help:"Results to put into the pack."`
	Out       string   `short:"o" placeholder:"FILE" help:"Where to write the pack (a zip file); without it, pack-ID.zip in this folder."`
	TokenFile string   `placeholder:"FILE" help:"Access token of the person who exports; without it the user of this machine."`
	JSON      bool     `help:"Print JSON."`
}

// Run writes the auditor's pack, which can be verified without this program's store.
func (c *exportCmd) Run(ctx context.Context, s *streams) error {
	cl, err := c.connect(ctx, s, c.TokenFile)
	if err != nil {
		return err
	}
	defer cl.close()
	var pack []byte
	if err := cl.call(ctx, "POST", "export", map[string]any{"ids": c.IDs}, &pack); err != nil {
		return err
	}
	if c.Out == "" {
		c.Out = "pack-" + filepath.Base(c.IDs[0]) + ".zip"
	}
	// The pack holds patient data: nobody else on this machine may read it.
	if err := os.WriteFile(c.Out, pack, 0o600); err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, map[string]any{"file": c.Out, "results": len(c.IDs), "bytes": len(pack)})
	}
	fmt.Fprintf(s.out, "%s: %s, %d bytes. It holds patient data. Verify it with: tidegate verify --key KEYFILE %s\n", c.Out, count(len(c.IDs), "result"), len(pack), c.Out)
	return nil
}
