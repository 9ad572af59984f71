package app

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"tidegate/poct"
	"tidegate/store"
	"tidegate/web"
)

// SocketName is the file in the data folder through which the commands of
// this machine speak to the running daemon. Its mode is 0600: who may open it
// may read the data folder anyway.
const SocketName = "tidegate.sock"

// socket serves the API to the commands of this machine.
type socket struct {
	ln     *net.UnixListener
	server *http.Server
}

type userKey struct{}

func listenSocket(dir string, c commands) (*socket, error) {
	path := filepath.Join(dir, SocketName)
	// The data folder is ours by its lock, so a socket found here is a dead one.
	if err := os.Remove(path); err != nil && !os.IsNotExist(err) {
		return nil, fmt.Errorf("remove the old command socket: %w", err)
	}
	ln, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("listen on the command socket: %w", err)
	}
	// The folder is 0700, so nobody else got in between.
	if err := os.Chmod(path, 0o600); err != nil {
		_ = ln.Close()
		return nil, fmt.Errorf("close the command socket to others: %w", err)
	}
	return &socket{ln: ln, server: &http.Server{
		Handler:           c,
		ReadHeaderTimeout: 10 * time.Second,
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			return context.WithValue(ctx, userKey{}, peerUser(c))
		},
	}}, nil
}

// Run serves until ctx ends, then lets requests under way finish.
func (s *socket) Run(ctx context.Context) error {
	failed := make(chan error, 1)
	go func() { failed <- s.server.Serve(s.ln) }()
	select {
	case err := <-failed:
		return fmt.Errorf("serve commands: %w", err)
	case <-ctx.Done():
	}
	bounded, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if s.server.Shutdown(bounded) != nil {
		_ = s.server.Close() // what is still open after five seconds is cut
	}
	<-failed
	return nil
}

// commands chooses who asks: the holder of a token, if one is sent, else the
// user of the calling process. That user reads like an auditor, fills the
// registry like a coordinator and lets people in like an administrator, since
// whoever may open the socket owns the data folder. Settling needs a token, and so a person.
type commands struct {
	pages *web.Server
	store *store.Store
}

func (c commands) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name, _ := r.Context().Value(userKey{}).(string)
	if r.Header.Get("Authorization") != "" || name == "" {
		c.pages.Handler().ServeHTTP(w, r)
		return
	}
	if r.URL.Path == ProbesPath && r.Method == http.MethodPost {
		probed(c.store, name, w, r)
		return
	}
	actor := poct.Actor{Name: name, Role: "auditor", Sites: []string{"*"}}
	if strings.HasPrefix(r.URL.Path, "/api/v1/registry/") {
		actor.Role = "coordinator"
	}
	if administers(r.URL.Path) {
		actor.Role = "admin"
	}
	c.pages.As(actor).ServeHTTP(w, r)
}

// peerUser names the user at the other end of a local connection, as the
// kernel tells it; "" if it does not.
func peerUser(c net.Conn) string {
	uc, ok := c.(*net.UnixConn)
	if !ok {
		return ""
	}
	raw, err := uc.SyscallConn()
	if err != nil {
		return ""
	}
	name := ""
	_ = raw.Control(func(fd uintptr) { // fails only for a closed connection: then nobody asks
		if cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED); err == nil {
			name = userName(int(cred.Uid))
		}
	})
	return name
}

func userName(uid int) string {
	id := strconv.Itoa(uid)
	if u, err := user.LookupId(id); err == nil {
		return u.Username + " at this machine"
	}
	return "user " + id + " at this machine"
}
