package standin

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// framedSpeaker is a meter that sends whole messages on a TCP connection and
// reads one answer to each.
type framedSpeaker struct {
	line line
	read *bufio.Reader
	// frame puts around a message what the way asks for; answer reads what the
	// other side says to it.
	frame  func([]byte) ([]byte, error)
	answer func(*bufio.Reader) (string, error)
}

func (s *framedSpeaker) close() { s.line.close() }

// say implements speaker.
func (s *framedSpeaker) say(ctx context.Context, message []byte, how trick) (answer string, err error) {
	out, err := s.frame(message)
	if err != nil {
		return "", err
	}
	opened, err := s.line.open(ctx)
	if err != nil {
		return "", err
	}
	if opened {
		s.read = bufio.NewReader(s.line)
	}
	defer func() {
		if err != nil {
			s.close()
		}
	}()
	switch how {
	case half:
		_, _ = s.line.Write(out[:len(out)-len(message)/2-1])
		return "", errLineLost
	case deaf:
		_, _ = s.line.Write(out)
		return "", errLineLost
	case slowly:
		err = trickle(ctx, s.line, out)
	default:
		_, err = s.line.Write(out)
	}
	if err != nil {
		return "", err
	}
	return s.answer(s.read)
}

// noise writes bytes that belong to no message, and hangs up.
func (l *line) noise(ctx context.Context, b []byte) error {
	defer l.close()
	if _, err := l.open(ctx); err != nil {
		return err
	}
	_, err := l.Write(b)
	return err
}

// newMLLPSpeaker keeps one connection; the answer is the code of MSA-1.
func newMLLPSpeaker(addr string) *framedSpeaker {
	return &framedSpeaker{
		line:   line{addr: addr},
		frame:  func(b []byte) ([]byte, error) { return append(append([]byte{0x0b}, b...), 0x1c, 0x0d), nil },
		answer: readMSA,
	}
}

func readMSA(r *bufio.Reader) (string, error) {
	if _, err := r.ReadBytes(0x0b); err != nil {
		return "", err
	}
	answer, err := r.ReadString(0x1c)
	if err != nil {
		return "", err
	}
	if _, err := r.ReadByte(); err != nil {
		return "", err
	}
	for _, segment := range strings.Split(answer, "\r") {
		if fields := strings.Split(segment, "|"); fields[0] == "MSA" && len(fields) > 1 {
			return fields[1], nil
		}
	}
	return "", errors.New("standin: an answer without MSA")
}

// newHTTPSpeaker posts to a URL; the answer is the status.
func newHTTPSpeaker(url, token string) (*framedSpeaker, error) {
	req, err := http.NewRequest(http.MethodPost, url, nil)
	if err != nil {
		return nil, err
	}
	s := &framedSpeaker{line: line{addr: req.URL.Host}}
	s.frame = func(b []byte) ([]byte, error) {
		req, err := http.NewRequest(http.MethodPost, url, bytes.NewReader(b))
		if err != nil {
			return nil, err
		}
		req.Header.Set("Content-Type", "application/hl7-v2; charset=utf-8")
		req.Header.Set("Authorization", "Bearer "+token)
		var out bytes.Buffer
		err = req.Write(&out)
		return out.Bytes(), err
	}
	s.answer = func(r *bufio.Reader) (string, error) {
		res, err := http.ReadResponse(r, req)
		if err != nil {
			return "", err
		}
		defer res.Body.Close()
		if _, err := io.Copy(io.Discard, res.Body); err != nil {
			return "", err
		}
		if res.Close {
			s.close()
		}
		return fmt.Sprint(res.StatusCode), nil
	}
	return s, nil
}

// stored is what a queue or a folder answers: nothing more is said.
const stored = "stored"

// queueSpeaker publishes to a JetStream stream.
type queueSpeaker struct {
	js      jetstream.JetStream
	subject string
}

func (queueSpeaker) close() {}

func (s queueSpeaker) say(ctx context.Context, message []byte, how trick) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	if how == deaf {
		if err := s.js.Conn().PublishMsg(&nats.Msg{Subject: s.subject, Data: message}); err != nil {
			return "", err
		}
		return "", errLineLost
	}
	if _, err := s.js.Publish(ctx, s.subject, message); err != nil {
		return "", err
	}
	return stored, nil
}

// folderSpeaker writes beside each file and renames it when it is whole.
type folderSpeaker struct {
	dir, name, ext string
	files          int
	last           string // path of the newest file
}

func (*folderSpeaker) close() {}

func (s *folderSpeaker) say(ctx context.Context, message []byte, how trick) (string, error) {
	s.files++
	s.last = filepath.Join(s.dir, fmt.Sprintf("%s-%06d.%s", s.name, s.files, s.ext))
	f, err := os.OpenFile(s.last+".tmp", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	switch how {
	case half: // what a sender leaves behind that dies while it writes, and writes anew
		s.files--
		_, err = f.Write(message[:len(message)/2])
		return "", errors.Join(errLineLost, err, f.Close())
	case slowly:
		err = trickle(ctx, f, message)
	default:
		_, err = f.Write(message)
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return "", err
	}
	return stored, os.Rename(s.last+".tmp", s.last)
}
