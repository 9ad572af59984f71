package standin

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// mouth is how a meter speaks; one for each meter.
type mouth interface {
	say(ctx context.Context, it Item, b []byte) (answer string, err error)
	close()
}

// mllpMouth keeps one connection, as meters do.
type mllpMouth struct {
	addr string
	conn net.Conn
	read *bufio.Reader
}

func (m *mllpMouth) close() {
	if m.conn != nil {
		_ = m.conn.Close()
		m.conn = nil
	}
}

func (m *mllpMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	if m.conn == nil {
		var dialer net.Dialer
		c, err := dialer.DialContext(ctx, "tcp", m.addr)
		if err != nil {
			return "", err
		}
		m.conn, m.read = c, bufio.NewReader(c)
	}
	answer, err := m.exchange(b)
	if err != nil {
		m.close()
	}
	return answer, err
}

func (m *mllpMouth) exchange(b []byte) (string, error) {
	if err := m.conn.SetDeadline(time.Now().Add(answerFor)); err != nil {
		return "", err
	}
	frame := append(append([]byte{0x0b}, b...), 0x1c, 0x0d)
	if _, err := m.conn.Write(frame); err != nil {
		return "", err
	}
	if _, err := m.read.ReadBytes(0x0b); err != nil {
		return "", err
	}
	ack, err := m.read.ReadString(0x1c)
	if err != nil {
		return "", err
	}
	if _, err := m.read.ReadByte(); err != nil {
		return "", err
	}
	for _, segment := range strings.Split(ack, "\r") {
		if fields := strings.Split(segment, "|"); fields[0] == "MSA" && len(fields) > 1 {
			return fields[1], nil
		}
	}
	return "", errors.New("an answer without MSA")
}

type httpMouth struct{ url, token string }

func (httpMouth) close() {}

func (m httpMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, m.url, bytes.NewReader(b))
	if err != nil {
		return "", err
	}
	req.Header.Set("Content-Type", "application/hl7-v2; charset=utf-8")
	req.Header.Set("Authorization", "Bearer "+m.token)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	if _, err := io.Copy(io.Discard, res.Body); err != nil {
		return "", err
	}
	return fmt.Sprint(res.StatusCode), nil
}

type queueMouth struct {
	js      jetstream.JetStream
	subject string
}

func (queueMouth) close() {}

func (m queueMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	if _, err := m.js.Publish(ctx, m.subject, b); err != nil {
		return "", err
	}
	return "stored", nil
}

// speakerMouth is a meter whose way of speaking is a conversation.
type speakerMouth struct{ speaker speaker }

func (m speakerMouth) close() { m.speaker.close() }

func (m speakerMouth) say(ctx context.Context, _ Item, b []byte) (string, error) {
	return m.speaker.say(ctx, b, plain)
}

// folderMouth writes beside the file and renames it when it is whole.
type folderMouth struct{ dir string }

func (*folderMouth) close() {}

// say writes a file. Results that follow a control rest on it, and files are no
// queue: so a control is watched until it was taken.
func (m *folderMouth) say(ctx context.Context, it Item, b []byte) (string, error) {
	at := filepath.Join(m.dir, it.Name)
	if err := os.WriteFile(at+".tmp", b, 0o600); err != nil {
		return "", err
	}
	if err := os.Rename(at+".tmp", at); err != nil {
		return "", err
	}
	if it.Want.End == filed {
		return "stored", taken(ctx, at)
	}
	return "stored", nil
}

func taken(ctx context.Context, path string) error {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	look := time.NewTicker(20 * time.Millisecond)
	defer look.Stop()
	for {
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			return nil
		}
		select {
		case <-look.C:
		case <-ctx.Done():
			return fmt.Errorf("file %s was not taken", filepath.Base(path))
		}
	}
}
