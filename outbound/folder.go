package outbound

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tidegate/fault"
	"tidegate/poct"
)

// Folder is what is written for an outlet of kind folder alone.
type Folder struct {
	Path    string `yaml:"path"`
	Payload string `yaml:"payload"` // fhir or hl7v2

	LetterConfig `yaml:",inline"`
}

func (f *Folder) withDefaults() {
	text(&f.Payload, payloadFHIR)
	f.LetterConfig.withDefaults()
}

func (f *Folder) validate(say sayFault) {
	if f.Path == "" {
		say("path", "is missing", "write the folder that results are written to, such as ./released")
	}
	f.LetterConfig.validatePayload(say, f.Payload)
}

func (f *Folder) open(c Config, s Settings) (Destination, error) {
	if err := os.MkdirAll(f.Path, 0o750); err != nil {
		return nil, fmt.Errorf("folder outlet: %w", err)
	}
	return &drop{letters: c.letters(s), path: f.Path, syncDir: syncDir}, nil
}

// drop writes one file for each delivery. A file under its own name is whole
// and would survive a power cut. Its name begins with the time of issue, so
// that files in the order of their names have the versions of a result in
// theirs; it is the same however often the file is written, and says nothing
// of a patient.
type drop struct {
	*letters
	path    string
	syncDir func(string) error
}

// Send writes the committed bytes under a temporary name, has them on the
// disk, and renames.
func (f *drop) Send(_ context.Context, d poct.Delivery) Answered {
	file := f.file(d)
	if err := write(filepath.Join(f.path, file), d.Body); err != nil {
		return Answered{Class: Transient, Note: reasonOf(err)} // no file stands there under its own name
	}
	fault.Point("outbound.sent")
	if err := f.syncDir(f.path); err != nil {
		return Answered{Class: Unknown, Note: reasonOf(err)}
	}
	return Answered{Class: Done, Remote: map[string]string{"file": file}}
}

// Find looks whether the file stands there. One that was taken away already is
// written once more: whoever takes it knows its name.
func (f *drop) Find(_ context.Context, d poct.Delivery) Answered {
	file := f.file(d)
	there, err := os.ReadFile(filepath.Join(f.path, file))
	if err != nil || !bytes.Equal(there, d.Body) || f.syncDir(f.path) != nil {
		return Answered{Class: Absent}
	}
	return Answered{Class: Done, Remote: map[string]string{"file": file}}
}

func (f *drop) file(d poct.Delivery) string {
	return d.Result.Issued.UTC().Format("20060102T150405.000Z") + "-" + name(d) + f.suffix()
}

func write(path string, body []byte) error {
	tmp := path + ".tmp"
	out, err := os.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = out.Write(body)
	if err = errors.Join(err, out.Sync(), out.Close()); err != nil {
		return errors.Join(err, os.Remove(tmp))
	}
	return os.Rename(tmp, path)
}

// syncDir makes a rename durable.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// reasonOf is what the system says, without the path.
func reasonOf(err error) string {
	var path *os.PathError
	var link *os.LinkError
	switch {
	case errors.As(err, &path):
		return path.Err.Error()
	case errors.As(err, &link):
		return link.Err.Error()
	}
	return "the folder cannot be written to"
}
