package poct1a

import (
	"fmt"
	"io"
	"net"
	"os"
	"runtime"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// idle opens connections that are in continuous mode and then silent, and
// returns what one of them costs the process: heap, stacks and the rest, the
// meters' ends too.
func idle(t *testing.T, r *Inlet, n int) (perConnection int, hangUp func()) {
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	conns := make([]net.Conn, n)
	var all sync.WaitGroup
	room := make(chan struct{}, 64)
	for i := range conns {
		room <- struct{}{}
		all.Go(func() {
			defer func() { <-room }()
			c, err := net.Dial("tcp", r.Addr())
			if err != nil {
				t.Error(err)
				return
			}
			conns[i] = c
			_, _ = io.WriteString(c, hel(fmt.Sprint("SD-", i), "START_CONTINUOUS")+dst("0")+
				doc("ACK.R01", "a3", `<ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="3"/></ACK>`)+kpa)
			m := &meter{t: t, conn: c}
			for got := ""; got != "ACK.R01 AA k"; {
				if got = m.next(); got[0] == '(' {
					t.Error(got)
					return
				}
			}
		})
	}
	all.Wait()
	runtime.GC()
	runtime.ReadMemStats(&after)
	used := func(m runtime.MemStats) int {
		return int(m.HeapAlloc + m.StackInuse + m.OtherSys + m.GCSys + m.MSpanInuse)
	}
	return (used(after) - used(before)) / n, func() {
		for _, c := range conns {
			if c != nil { // else it failed, which is told already
				_ = c.Close()
			}
		}
	}
}

// 10,000 idle connections are to fit into 300 MB: 30 KB each. The connections
// of a normal run are fewer; POCT1A_IDLE says how many there are to be.
func TestIdleConnections(t *testing.T) {
	n := 300
	if s := os.Getenv("POCT1A_IDLE"); s != "" {
		var err error
		n, err = strconv.Atoi(s)
		require.NoError(t, err)
	}
	goroutines := runtime.NumGoroutine()
	files := descriptors(t)
	r := run(t, Config{MaxConnections: n, Continuous: true}, Settings{Inbox: &box{}}, nil)
	each, hangUp := idle(t, r.in, n)
	t.Logf("%d connections, %d bytes each", n, each)
	require.Less(t, each, 30_000)
	hangUp()
	r.end()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(30 * time.Second)
	for runtime.NumGoroutine() > goroutines || descriptors(t) > files {
		select {
		case <-tick.C:
		case <-late:
			t.Fatalf("%d goroutines and %d descriptors are left, there were %d and %d", runtime.NumGoroutine(), descriptors(t), goroutines, files)
		}
	}
}

func descriptors(t *testing.T) int {
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Skip("this system does not list descriptors")
	}
	return len(list)
}
