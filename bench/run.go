package bench

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"

	"tidegate/poct"
	"tidegate/standin"
	"tidegate/store"
)

// Options of a run.
type Options struct {
	Dir      string // where the disk is measured; a folder is made inside and removed
	Quick    bool   // shorter: to see that it runs, not to compare machines
	Binary   string // the daemon's executable, run as a child
	Progress func(step string)
}

// Row is one figure beside its yardstick of the same minute.
type Row struct {
	What      string  `json:"what"`
	Measured  string  `json:"measured"`
	Yardstick string  `json:"yardstick"`
	Ratio     float64 `json:"ratio"`
	Goal      float64 `json:"goal"`
	AtLeast   bool    `json:"at_least"` // the ratio should be at least the goal, else at most
	Met       bool    `json:"met"`
}

// Report of a run.
type Report struct {
	Folder     string `json:"folder"`
	Filesystem string `json:"filesystem"`
	Rows       []Row  `json:"rows"`
}

func (r *Report) add(what, measured, yardstick string, ratio, goal float64, atLeast bool) {
	r.Rows = append(r.Rows, Row{what, measured, yardstick, ratio, goal, atLeast, (ratio >= goal) == atLeast || ratio == goal})
}

// run holds what the steps share.
type run struct {
	Options
	report *Report
	dir    string
	lasts  time.Duration
	day    *standin.Day
	load   *standin.Load
	raw256 load
}

const meter = "Q3-0118"

// Run measures everything. It takes about a minute, quick about ten seconds.
func Run(ctx context.Context, o Options) (Report, error) {
	r := Report{Folder: o.Dir}
	dir, err := os.MkdirTemp(o.Dir, "tidegate-bench-")
	if err != nil {
		return r, fmt.Errorf("make a folder to measure in: %w", err)
	}
	defer os.RemoveAll(dir)
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err == nil {
		r.Filesystem = filesystem(int64(st.Type))
	}
	x := &run{Options: o, report: &r, dir: dir, lasts: 3 * time.Second}
	if o.Quick {
		x.lasts = 400 * time.Millisecond
	}
	if x.Progress == nil {
		x.Progress = func(string) {}
	}
	if x.day, err = standin.NewDay(7, time.Now()); err != nil {
		return r, err
	}
	x.load = x.day.Load(meter)
	for _, step := range []struct {
		name string
		do   func(context.Context) error
	}{
		{"reading and rendering", x.parseAndRender},
		{"accepting, beside a raw file", x.accept},
		{"a whole life, in a daemon of its own", x.life},
	} {
		x.Progress(step.name)
		if err := step.do(ctx); err != nil {
			return r, fmt.Errorf("%s: %w", step.name, err)
		}
		if ctx.Err() != nil {
			return r, ctx.Err()
		}
	}
	return r, nil
}

// filesystem names the usual ones; a figure measured in memory says little.
func filesystem(magic int64) string {
	switch magic {
	case 0xef53:
		return "ext4"
	case 0x58465342:
		return "xfs"
	case 0x9123683e:
		return "btrfs"
	case 0x01021994:
		return "tmpfs (memory: nothing here says anything about a disk)"
	case 0x794c7630:
		return "overlayfs"
	}
	return fmt.Sprintf("type %#x", magic)
}

// accept measures the store beside a raw file with as many producers.
func (x *run) accept(context.Context) error {
	message := x.load.Result(0)
	for _, p := range []struct {
		producers int
		goal      float64
	}{{1, 0.7}, {16, 0.4}, {256, 0.3}} {
		raw, err := rawDisk(x.dir, p.producers, x.lasts, message)
		if err != nil {
			return err
		}
		got, err := x.acceptOnce(p.producers)
		if err != nil {
			return err
		}
		x.report.add(fmt.Sprintf("accept, %d at a time", p.producers), rate(got.PerSecond), rate(raw.PerSecond)+" raw file",
			got.PerSecond/raw.PerSecond, p.goal, true)
		if p.producers == 256 {
			x.raw256 = raw
			x.report.add("accept, 256 at a time, slowest hundredth", got.P99.Round(10*time.Microsecond).String(),
				raw.P99.Round(10*time.Microsecond).String()+" raw file", float64(got.P99)/float64(raw.P99), 12, false)
		}
	}
	return nil
}

func (x *run) acceptOnce(producers int) (load, error) {
	dir := filepath.Join(x.dir, fmt.Sprintf("accept-%d", producers))
	var fatal error
	s, err := store.Open(dir, store.Options{Fatal: func(err error) { fatal = err }})
	if err != nil {
		return load{}, err
	}
	base := x.load.Result(1)
	got, err := drive(producers, x.lasts, func(_ int, serial int64) error {
		raw := fmt.Appendf(nil, "%sZID|%d\r", base, serial) // other bytes each time
		_, err := s.Accept(context.Background(), poct.Arrival{
			Inlet: "bench", Source: "bench", Received: time.Now(), Peer: "bench", Format: "hl7v2", Raw: raw, Digest: sha256.Sum256(raw),
		})
		return err
	})
	return got, errors.Join(err, fatal, s.Close(), os.RemoveAll(dir))
}

func rate(perSecond float64) string { return fmt.Sprintf("%.0f/s", perSecond) }
