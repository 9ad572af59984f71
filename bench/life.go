package bench

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
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"tidegate/poct"
	"tidegate/standin"
)

// daemon is a child process on the invented clinic's configuration. The
// record system and the senders run here, so its figures are its own.
type daemon struct {
	cmd    *exec.Cmd
	log    bytes.Buffer
	mllp   string
	web    string
	token  string
	record *standin.Record
	server *http.Server
}

func (x *run) startDaemon(ctx context.Context) (*daemon, error) {
	d := &daemon{}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	addrs := make([]string, 3)
	for i := range addrs {
		if addrs[i], err = freeAddr(); err != nil {
			return nil, errors.Join(err, ln.Close())
		}
	}
	d.web, d.mllp = addrs[0], addrs[1]
	dir := filepath.Join(x.dir, "life")
	setup, err := x.day.WriteSetup(dir, standin.Ports{Web: addrs[0], MLLP: addrs[1], HTTP: addrs[2], Record: "http://" + ln.Addr().String() + "/fhir"})
	if err != nil {
		return nil, errors.Join(err, ln.Close())
	}
	if err := adapt(setup.Config); err != nil {
		return nil, errors.Join(err, ln.Close())
	}
	d.token = setup.Tokens["e.moss"]
	d.record = standin.NewRecord(standin.Options{Token: setup.RecordToken, Patients: x.day.Patients(), LogSize: 1})
	d.server = &http.Server{Handler: http.StripPrefix("/fhir", d.record), ReadHeaderTimeout: 10 * time.Second}
	go func() { _ = d.server.Serve(ln) }() // ends with stop
	d.cmd = exec.CommandContext(ctx, x.Binary, "serve", "--config", setup.Config)
	d.cmd.Stderr = &d.log
	if err := d.cmd.Start(); err != nil {
		return nil, errors.Join(err, d.server.Close())
	}
	return d, d.waitUp(ctx)
}

// adapt leaves out the queue inlet, whose server would be measured too, and
// lets sixteen deliveries be on the way and 300 meters be connected.
func adapt(path string) error {
	b, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	var out []string
	for _, line := range strings.Split(string(b), "\n") {
		switch {
		case strings.Contains(line, "id: queue"):
			continue
		case strings.Contains(line, "kind: mllp"):
			line = strings.Replace(line, "kind: mllp,", "kind: mllp, max_connections: 300,", 1)
		case strings.Contains(line, "mode: transaction"):
			line += "\n    in_flight: 16"
		}
		out = append(out, line)
	}
	return os.WriteFile(path, []byte(strings.Join(out, "\n")), 0o600)
}

func freeAddr() (string, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer ln.Close()
	return ln.Addr().String(), nil
}

func (d *daemon) waitUp(ctx context.Context) error {
	for range 2000 {
		if c, err := net.Dial("tcp", d.mllp); err == nil {
			return c.Close()
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(5 * time.Millisecond):
		}
	}
	return fmt.Errorf("the daemon does not come up: %s", d.log.String())
}

func (d *daemon) stop() error {
	err := d.cmd.Process.Signal(os.Interrupt)
	return errors.Join(err, d.cmd.Wait(), d.server.Close())
}

func (d *daemon) account(ctx context.Context) (a poct.Account, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+d.web+"/api/v1/account", nil)
	if err != nil {
		return a, err
	}
	req.Header.Set("Authorization", "Bearer "+d.token)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return a, err
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err == nil {
		err = json.Unmarshal(b, &a)
	}
	return a, err
}

// rest waits until everything is delivered.
func (d *daemon) rest(ctx context.Context) (poct.Account, error) {
	for {
		a, err := d.account(ctx)
		if err != nil || a.Waiting+a.Delivering == 0 {
			return a, err
		}
		select {
		case <-ctx.Done():
			return a, ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// cpu is the time that the daemon's processes took, user and system.
func (d *daemon) cpu() (time.Duration, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", d.cmd.Process.Pid))
	if err != nil {
		return 0, err
	}
	_, rest, _ := strings.Cut(string(b), ") ") // the name may hold blanks
	f := strings.Fields(rest)
	if len(f) < 13 {
		return 0, errors.New("/proc/PID/stat is not as expected")
	}
	user, err1 := strconv.ParseInt(f[11], 10, 64)
	system, err2 := strconv.ParseInt(f[12], 10, 64)
	const ticks = 100 // USER_HZ, the same on every Linux that Go runs on
	return time.Duration(user+system) * time.Second / ticks, errors.Join(err1, err2)
}

// memory reads a line of /proc/PID/status, in MB.
func (d *daemon) memory(line string) (float64, error) {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", d.cmd.Process.Pid))
	if err != nil {
		return 0, err
	}
	_, rest, ok := strings.Cut(string(b), line+":")
	f := strings.Fields(rest)
	if !ok || len(f) == 0 {
		return 0, fmt.Errorf("/proc/PID/status has no %s", line)
	}
	kb, err := strconv.ParseFloat(f[0], 64)
	return kb / 1024, err
}

// say sends one frame and reads its acknowledgement.
func say(c net.Conn, raw []byte) error {
	if err := c.SetDeadline(time.Now().Add(time.Minute)); err != nil {
		return err
	}
	if _, err := c.Write(append(append([]byte{0x0b}, raw...), 0x1c, 0x0d)); err != nil {
		return err
	}
	var got []byte
	buf := make([]byte, 1024)
	for !bytes.HasSuffix(got, []byte{0x1c, 0x0d}) {
		n, err := c.Read(buf)
		if err != nil {
			return err
		}
		got = append(got, buf[:n]...)
	}
	if !bytes.Contains(got, []byte("MSA|AA|")) {
		return fmt.Errorf("answered %q", got)
	}
	return nil
}

// life measures the daemon as a whole: 256 meters that send as fast as they
// are answered, until everything is in the record system.
func (x *run) life(ctx context.Context) error {
	d, err := x.startDaemon(ctx)
	if err != nil {
		return err
	}
	stopped := false
	defer func() {
		if !stopped {
			_ = d.stop()
		}
	}()
	idle, err := d.memory("VmRSS")
	if err != nil {
		return err
	}
	c, err := net.Dial("tcp", d.mllp)
	if err != nil {
		return err
	}
	for _, raw := range x.load.Controls {
		if err := say(c, raw); err != nil {
			return errors.Join(err, c.Close())
		}
	}
	_ = c.Close()
	if _, err := d.rest(ctx); err != nil {
		return err
	}
	if err := x.wholeLife(ctx, d); err != nil {
		return err
	}
	if err := x.backlog(ctx, d); err != nil {
		return err
	}
	loaded, err := d.memory("VmHWM")
	if err != nil {
		return err
	}
	x.report.add("memory, just started", fmt.Sprintf("%.0f MB", idle), "", idle, 60, false)
	x.report.add("memory, at its most", fmt.Sprintf("%.0f MB", loaded), "", loaded, 150, false)
	stopped = true
	return d.stop()
}

// serial numbers all results of a run.
var serial atomic.Int64

func (x *run) wholeLife(ctx context.Context, d *daemon) error {
	before, err := d.account(ctx)
	if err != nil {
		return err
	}
	cpu, err := d.cpu()
	if err != nil {
		return err
	}
	began := time.Now()
	sent, err := x.send(d, 256, x.lasts)
	if err != nil {
		return err
	}
	after, err := d.rest(ctx)
	if err != nil {
		return err
	}
	took := time.Since(began)
	spent, err := d.cpu()
	if err != nil {
		return err
	}
	n := after.Readings.Delivered - before.Readings.Delivered
	if n != sent {
		return fmt.Errorf("%d results were sent and %d delivered: %+v", sent, n, after)
	}
	perSecond := float64(n) / took.Seconds()
	x.report.add("whole life, 256 meters", rate(perSecond), rate(x.raw256.PerSecond)+" raw file", perSecond/x.raw256.PerSecond, 0.06, true)
	each := float64((spent - cpu).Microseconds()) / float64(n)
	x.report.add("processor time a result", fmt.Sprintf("%.0f us", each), "", each, 170, false)
	return nil
}

// send lets meters send for a while and returns how many results were taken.
func (x *run) send(d *daemon, meters int, lasts time.Duration) (int64, error) {
	conns := make([]net.Conn, meters)
	for i := range conns {
		c, err := net.Dial("tcp", d.mllp)
		if err != nil {
			return 0, err
		}
		defer c.Close()
		conns[i] = c
	}
	var taken atomic.Int64
	_, err := drive(meters, lasts, func(producer int, _ int64) error {
		err := say(conns[producer], x.load.Result(int(serial.Add(1))))
		if err == nil {
			taken.Add(1)
		}
		return err
	})
	return taken.Load(), err
}

// backlog measures delivering alone: results pile up while the record system
// is away, then it comes back.
func (x *run) backlog(ctx context.Context, d *daemon) error {
	d.record.Outage(&standin.Fault{Kind: standin.Status, Status: http.StatusServiceUnavailable})
	n, err := x.send(d, 64, x.lasts/2)
	if err != nil {
		return err
	}
	for { // judged, so that only delivering is left
		a, err := d.account(ctx)
		if err != nil {
			return err
		}
		if a.Waiting == 0 {
			break
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(10 * time.Millisecond):
		}
	}
	d.record.Outage(nil)
	first, err := d.firstDelivery(ctx)
	if err != nil {
		return err
	}
	began := time.Now()
	if _, err := d.rest(ctx); err != nil {
		return err
	}
	perSecond := float64(n-first) / time.Since(began).Seconds()
	bare, err := x.barePost()
	if err != nil {
		return err
	}
	x.report.add("deliver a backlog, 16 on the way", rate(perSecond), rate(bare.PerSecond)+" bare POSTs", perSecond/bare.PerSecond, 0.2, true)
	return nil
}

// firstDelivery waits until the outlet has noticed that the record system is
// back, and returns how many results had been delivered of the backlog by then.
func (d *daemon) firstDelivery(ctx context.Context) (int64, error) {
	start, err := d.account(ctx)
	if err != nil {
		return 0, err
	}
	for {
		a, err := d.account(ctx)
		if err != nil || a.Readings.Delivered > start.Readings.Delivered {
			return a.Readings.Delivered - start.Readings.Delivered, err
		}
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// barePost is what loopback HTTP can do by itself with a body of that size.
func (x *run) barePost() (load, error) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return load{}, err
	}
	srv := &http.Server{ReadHeaderTimeout: 10 * time.Second, Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		w.WriteHeader(http.StatusOK)
	})}
	go func() { _ = srv.Serve(ln) }() // ends with Close
	defer srv.Close()
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 16}}
	defer client.CloseIdleConnections()
	body := make([]byte, 5500) // about one strip's bundle
	return drive(16, x.lasts/2, func(int, int64) error {
		res, err := client.Post("http://"+ln.Addr().String(), "application/fhir+json", bytes.NewReader(body))
		if err != nil {
			return err
		}
		_, err = io.Copy(io.Discard, res.Body)
		return errors.Join(err, res.Body.Close())
	})
}
