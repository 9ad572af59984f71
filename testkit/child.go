package testkit

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"tidegate/app"
	"tidegate/config"
)

// childEnv names the configuration that a re-executed test binary serves.
const childEnv = "TIDEGATE_TESTKIT_CHILD"

// Main runs the tests of a package, or, in a child process, the daemon. A
// package that starts children calls it from its TestMain.
func Main(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		os.Exit(serve(path))
	}
	os.Exit(m.Run())
}

// addresses is the one line that a child writes when it is ready.
type addresses struct {
	Web    string
	Inlets map[string]string
}

// serve is the daemon as its command runs it, with ports told to the parent.
// It ends when the parent does: its input then ends.
func serve(path string) int {
	log := zerolog.New(os.Stderr).Level(zerolog.DebugLevel)
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin)
		os.Exit(4)
	}()
	cfg, faults := config.Load(path)
	if len(faults) > 0 {
		log.Error().Interface("faults", faults).Msg("configuration")
		return 2
	}
	a, err := app.New(cfg, app.Options{Log: log, Version: "test"})
	if err != nil {
		log.Error().Err(err).Msg("start")
		return 2
	}
	if err := json.NewEncoder(os.Stdout).Encode(addresses{a.URL(), a.Listeners()}); err != nil {
		return 2
	}
	if err := errors.Join(a.Run(ctx), a.Close()); err != nil {
		log.Error().Err(err).Msg("run")
		return 1
	}
	return 0
}

// Child is a daemon in a process of its own.
type Child struct {
	addresses
	cmd  *exec.Cmd
	done chan struct{} // closed when the process has ended
	log  *tail
}

// Start runs the daemon of a configuration in a child process and returns once
// it listens. env adds to its environment, such as a failpoint's action.
func Start(configFile string, env ...string) (*Child, error) {
	return start(exec.Command(os.Args[0]), configFile, env...)
}

func start(cmd *exec.Cmd, configFile string, env ...string) (*Child, error) {
	c := &Child{cmd: cmd, done: make(chan struct{}), log: &tail{}}
	cmd.Env = append(append(os.Environ(), childEnv+"="+configFile), env...)
	cmd.Stderr = c.log
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("testkit: child's input: %w", err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("testkit: child's output: %w", err)
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("testkit: start child: %w", err)
	}
	ready := make(chan error, 1)
	go func() {
		line, err := bufio.NewReader(out).ReadBytes('\n')
		if err == nil {
			err = json.Unmarshal(line, &c.addresses)
		}
		ready <- err
		_, _ = io.Copy(io.Discard, out)
		_ = cmd.Wait() // how it ended stands in ProcessState
		_ = in.Close()
		close(c.done)
	}()
	patience := time.NewTimer(30 * time.Second)
	defer patience.Stop()
	select {
	case err = <-ready:
	case <-patience.C:
		err = errors.New("not ready in 30 s")
	}
	if err != nil {
		c.Kill()
		return c, fmt.Errorf("testkit: child did not start: %w\n%s", err, c.Log())
	}
	return c, nil
}

// Kill ends the process at once, as the kernel would: nothing is flushed.
func (c *Child) Kill() {
	_ = c.cmd.Process.Signal(syscall.SIGKILL) // it may have ended by itself
	<-c.done
}

// Stop asks for a drained end and waits for it.
func (c *Child) Stop() error {
	_ = c.cmd.Process.Signal(syscall.SIGTERM)
	patience := time.NewTimer(90 * time.Second)
	defer patience.Stop()
	select {
	case <-c.done:
	case <-patience.C:
		c.Kill()
		return fmt.Errorf("testkit: child did not drain\n%s", c.Log())
	}
	if code := c.Exit(); code != 0 {
		return fmt.Errorf("testkit: child ended with %d\n%s", code, c.Log())
	}
	return nil
}

// Done is closed when the process has ended.
func (c *Child) Done() <-chan struct{} { return c.done }

// Exit is the exit status after the end, -1 after a signal.
func (c *Child) Exit() int { return c.cmd.ProcessState.ExitCode() }

// PID of the process.
func (c *Child) PID() int { return c.cmd.Process.Pid }

// Log is the end of what it wrote to standard error.
func (c *Child) Log() string { return c.log.String() }

// tail keeps what was written last. Safe for concurrent use.
type tail struct {
	mu   sync.Mutex
	text []byte
}

const tailSize = 4 << 20

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.text = append(t.text, p...)
	if over := len(t.text) - tailSize; over > 0 {
		t.text = append(t.text[:0], t.text[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.text)
}
