// Command tidegate stands between the meters of a clinic and the patient
// record. Each subcommand has a file of its own; this one parses the command
// line, ends on signals and chooses the exit code.
//
// Exit codes: 0 good; 1 problems found; 2 wrong use, or the data folder belongs
// to another daemon; 3 a failure of ours.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/alecthomas/kong"
)

type cli struct {
	Demo         demoCmd         `cmd:"" help:"Play a day of an invented clinic group, then serve its pages. Nothing to install."`
	Serve        serveCmd        `cmd:"" help:"Run the daemon."`
	Check        checkCmd        `cmd:"" help:"Check a configuration without starting anything."`
	Try          tryCmd          `cmd:"" help:"Judge messages as a dry run: what would be read, found and sent. Touches nothing."`
	DraftProfile draftProfileCmd `cmd:"" help:"Propose a meter profile from sample messages, and say what it is unsure of."`
	Import       importCmd       `cmd:"" help:"Fill the registry from a CSV file; each refused line is told."`
	Holds        holdsCmd        `cmd:"" help:"List what waits in the review queue, or show one hold."`
	Settle       settleCmd       `cmd:"" help:"Correct, release, discard or send again one hold."`
	Outlets      outletsCmd      `cmd:"" help:"List how outlets do, or pause and resume one."`
	Trace        traceCmd        `cmd:"" help:"Show a result's life: by result, arrival, control id, meter:sequence or record-system id."`
	Export       exportCmd       `cmd:"" help:"Write the auditor's pack of one or more results."`
	Verify       verifyCmd       `cmd:"" help:"Verify the ledger of the data folder, or an exported pack offline."`
	Probe        probeCmd        `cmd:"" help:"Try the record system behind an outlet on a test patient, before go-live; a report to be signed."`
	Users        usersCmd        `cmd:"" help:"Let people in by name and password: add, list, change, disable, enable or reset."`
	Tokens       tokensCmd       `cmd:"" help:"Let programs in by access token: add, list or revoke."`
	Rehearse     rehearseCmd     `cmd:"" help:"Judge stored arrivals again under another configuration: which verdicts would change, and why. Touches nothing."`
	Simulate     simulateCmd     `cmd:"" help:"Let a fleet of invented meters send to a test set-up, with faults on request; then compare accounts."`
	Bench        benchCmd        `cmd:"" help:"Measure this machine and print the ratios that matter."`

	Version kong.VersionFlag `help:"Print the version."`
}

// version is set by the release build.
var version = "unreleased"

const description = "The daemon between prothrombin time meters and the patient record.\n\n" +
	"Not a medical device. Limits are set by the laboratory's director; local codes and licensed practice come first."

func main() {
	os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// streams are the command's three ends, so that tests can run it in process.
type streams struct {
	in  io.Reader
	out io.Writer
	err io.Writer
}

// exit is an error that carries its exit code. Quiet means that the command
// already said what there is to say.
type exit struct {
	code  int
	quiet bool
	err   error
}

func (e *exit) Error() string {
	if e.err == nil {
		return ""
	}
	return e.err.Error()
}
func (e *exit) Unwrap() error { return e.err }

func problems() error                        { return &exit{code: 1, quiet: true} }
func wrongUse(format string, a ...any) error { return &exit{code: 2, err: fmt.Errorf(format, a...)} }

func run(args []string, in io.Reader, out, errOut io.Writer) int {
	var c cli
	code := -1
	parser, err := kong.New(&c,
		kong.Name("tidegate"),
		kong.Description(description),
		kong.UsageOnError(),
		kong.Writers(out, errOut),
		kong.Exit(func(n int) { code = n }),
		kong.Vars{"version": version, "ownConfig": ownConfig, "flaws": flawNames()},
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		fmt.Fprintln(errOut, "tidegate:", err)
		return 3
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	ctx, err := parser.Parse(args)
	if code >= 0 { // --help or --version ended it
		return code
	}
	if err != nil {
		fmt.Fprintf(errOut, "tidegate: %v; `tidegate --help` lists the commands\n", err)
		return 2
	}
	stop, cancel := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer cancel()
	ctx.BindTo(stop, (*context.Context)(nil))
	err = ctx.Run(&streams{in: in, out: out, err: errOut})
	return exitCode(err, errOut)
}

func exitCode(err error, errOut io.Writer) int {
	if err == nil {
		return 0
	}
	e := &exit{code: 3}
	if !errors.As(err, &e) {
		e.err = err
	}
	if !e.quiet {
		fmt.Fprintln(errOut, "tidegate:", err)
	}
	return e.code
}
