package hl7

import (
	"bytes"
	"iter"
)

type level uint8

const (
	levelField level = iota
	levelRepetition
	levelComponent
	levelSubcomponent
	levelLiteral // MSH-1, MSH-2: neither split nor unescaped
)

// Value is a field, repetition, component or subcomponent: where it stands and
// what it says. The zero Value is absent. Numbers count from 1.
type Value struct {
	m        *Message
	from, to int32
	level    level
}

// Absent reports that the sender gave no information: keep what was known.
func (v Value) Absent() bool { return v.from == v.to }

// Null reports `""`: the sender says that there is no value.
func (v Value) Null() bool {
	return v.to-v.from == 2 && v.m.raw[v.from] == '"' && v.m.raw[v.from+1] == '"'
}

// Empty reports absent or null: there is no value to read.
func (v Value) Empty() bool { return v.Absent() || v.Null() }

// Span is where the bytes stand in the raw message; From == To if absent.
func (v Value) Span() Span { return Span{int(v.from), int(v.to)} }

// Raw is the bytes as they came.
func (v Value) Raw() []byte {
	if v.m == nil {
		return nil
	}
	return v.m.raw[v.from:v.to:v.to]
}

// Text is the decoded text, escapes undone once; "" if absent or null. On a
// value that has parts it is the whole, delimiters as written: text types may
// hold a stray one. See First for the value of a coded or composite field.
func (v Value) Text() string {
	text, _ := v.Exact()
	return text
}

// Exact is Text, and whether all of it could be read: false if an escape is
// unknown or not closed, or bytes are none of the character set. Those stay in
// the text as written, bytes as \Xhh\.
func (v Value) Exact() (string, bool) {
	if v.Empty() {
		return "", true
	}
	if v.level == levelLiteral {
		return string(v.Raw()), true
	}
	return Unescape(v.Raw(), v.m.delims, v.m.charset)
}

// First is the first subcomponent of the first component of the first
// repetition: what a receiver that knows only a simple type reads.
func (v Value) First() Value { return v.Subcomponent(1) }

// Repetition returns the nth repetition of a field.
func (v Value) Repetition(n int) Value { return v.part(levelRepetition, n) }

// Component returns the nth component, of the first repetition if v is a field.
func (v Value) Component(n int) Value { return v.part(levelComponent, n) }

// Subcomponent returns the nth subcomponent, of the first component and
// repetition if v is larger.
func (v Value) Subcomponent(n int) Value { return v.part(levelSubcomponent, n) }

// Repetitions goes through the repetitions of a field, with their numbers; an
// absent field has none.
func (v Value) Repetitions() iter.Seq2[int, Value] { return v.parts(levelRepetition) }

// Components goes through the components, with their numbers, of the first
// repetition if v is a field.
func (v Value) Components() iter.Seq2[int, Value] { return v.parts(levelComponent) }

// part goes down to level l: the first part of each level between, then the
// nth. A value that is already at l or below has itself as its only part.
func (v Value) part(l level, n int) Value {
	if v.level == levelLiteral || v.level >= l {
		if n == 1 {
			return v
		}
		return Value{}
	}
	for v.m != nil && v.level+1 < l {
		v = v.nth(1)
	}
	return v.nth(n)
}

// nth is the nth part of the next level down.
func (v Value) nth(n int) Value {
	if v.m == nil || n < 1 {
		return Value{}
	}
	sep := v.separator()
	from := v.from
	for ; n > 1; n-- {
		i := bytes.IndexByte(v.m.raw[from:v.to], sep)
		if i < 0 {
			return Value{}
		}
		from += int32(i) + 1
	}
	to := v.to
	if i := bytes.IndexByte(v.m.raw[from:v.to], sep); i >= 0 {
		to = from + int32(i)
	}
	return Value{v.m, from, to, v.level + 1}
}

func (v Value) parts(l level) iter.Seq2[int, Value] {
	return func(yield func(int, Value) bool) {
		if v.Absent() {
			return
		}
		if v.level == levelLiteral || v.level >= l {
			yield(1, v)
			return
		}
		for v.level+1 < l {
			v = v.nth(1)
		}
		for n, from := 1, v.from; ; n++ {
			rest := Value{v.m, from, v.to, v.level}
			p := rest.nth(1)
			if !yield(n, p) || p.to == v.to {
				return
			}
			from = p.to + 1
		}
	}
}

// separator divides the value into parts of the next level down.
func (v Value) separator() byte {
	switch v.level {
	case levelField:
		return v.m.delims.Repetition
	case levelRepetition:
		return v.m.delims.Component
	}
	return v.m.delims.Subcomponent
}
