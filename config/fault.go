package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"tidegate/poct"
)

// Fault is one thing wrong with the configuration. Line and Col count from 1.
type Fault struct {
	File    string `json:"file"`
	Line    int    `json:"line"`
	Col     int    `json:"col"`
	Key     string `json:"key"`
	What    string `json:"what"`
	Instead string `json:"instead"`
}

// String is file:line:col: key: what; what to write instead.
func (f Fault) String() string {
	s := fmt.Sprintf("%s:%d:%d: ", f.File, f.Line, f.Col)
	if f.Key != "" {
		s += f.Key + ": "
	}
	s += f.What
	if f.Instead != "" {
		s += "; " + f.Instead
	}
	return s
}

// faults collects. A key has one fault at most, and one whose value could not
// be read gets no other: a value that was not read is not missing too.
type faults struct {
	file   string
	list   []Fault
	has    map[string]bool
	unread map[string]bool
}

func newFaults(file string) *faults {
	return &faults{file: file, has: map[string]bool{}, unread: map[string]bool{}}
}

func (fs *faults) add(p pos, key, what, instead string) {
	if fs.has[key] {
		return
	}
	fs.has[key] = true
	fs.list = append(fs.list, Fault{fs.file, p.line, p.col, key, what, instead})
}

// lost adds a fault of a value that could not be read.
func (fs *faults) lost(p pos, key, what, instead string) {
	fs.add(p, key, what, instead)
	fs.unread[key] = true
}

// at places a fault of a package by its key, unless it only follows from what
// could not be read there, above or below.
func (fs *faults) at(d *document, base string, k poct.KeyFault) {
	key := joinKey(base, k.Key)
	for lost := range fs.unread {
		if within(key, lost) || within(lost, key) {
			return
		}
	}
	fs.add(d.find(key), key, k.What, k.Instead)
}

// within tells whether key is the other one or stands below it.
func within(key, above string) bool {
	rest, ok := strings.CutPrefix(key, above)
	return ok && (rest == "" || rest[0] == '.' || rest[0] == '[')
}

func (fs *faults) sorted() []Fault {
	slices.SortStableFunc(fs.list, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Col, b.Col), strings.Compare(a.Key, b.Key))
	})
	return fs.list
}

func joinKey(base, key string) string {
	switch {
	case base == "":
		return key
	case key == "" || key[0] == '[':
		return base + key
	default:
		return base + "." + key
	}
}
