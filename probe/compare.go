package probe

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"
	"time"

	"tidegate/poct"
	"tidegate/wire/fhir"
)

// readBack reads what a delivery filed and compares it with the bytes sent.
// only names the members that matter; nil is all of them.
func (p *probe) readBack(ctx context.Context, r poct.Result, d row, only []string) {
	sent, err := entriesOf(d.Body)
	if err != nil {
		p.lacks(Needed, "The bytes sent cannot be read.", "Tell the makers of tidegate.")
		return
	}
	links := map[string]string{}
	for _, one := range parts(r) {
		ref := d.Remote[one.key]
		links[one.urn], links[one.ownRef()] = ref, ref // the ids of ours that it did not take
	}
	var all []Element
	for _, one := range parts(r) {
		for _, e := range sent {
			if e.FullURL != one.urn {
				continue
			}
			got := p.read(ctx, d.Remote[one.key])
			if !got.done() {
				p.lacks(Needed, one.title+" cannot be read back: "+got.said()+".", "Have reading allowed to us; an unknown outcome could never be looked up.")
				continue
			}
			title := one.title
			if only != nil {
				title += " off scale"
			}
			list := compare(title, e.Resource, got.Body, links)
			if only != nil {
				list = slices.DeleteFunc(list, func(e Element) bool {
					return e.Need != Needed && e.Fate == Survived || !slices.ContainsFunc(only, func(o string) bool { return strings.HasPrefix(e.Element, o) })
				})
			}
			all = append(all, list...)
		}
	}
	p.rep.Elements = append(p.rep.Elements, all...)
	p.judge(all)
}

// judge makes findings of elements that did not survive.
func (p *probe) judge(list []Element) {
	bad := 0
	for _, e := range list {
		if e.Fate == Survived || e.Fate == Added || e.Need == Told {
			continue
		}
		bad++
		text := e.Resource + ": " + e.Element + " was " + string(e.Fate)
		if e.Fate == Changed {
			text += " from " + e.Sent + " to " + e.Stored
		}
		p.lacks(e.Need, text+".", doAbout(e))
	}
	if bad == 0 && len(list) > 0 {
		p.good(Needed, "Read back, everything that was sent survived: %s.", titles(list))
	}
}

func titles(list []Element) string {
	var out []string
	for _, e := range list {
		if !slices.Contains(out, e.Resource) {
			out = append(out, e.Resource)
		}
	}
	return strings.Join(out, ", ")
}

func doAbout(e Element) string {
	switch {
	case e.Element == "valueQuantity.value" && e.Need == Wanted:
		return "Digits behind the point tell how exactly it was measured. Have decimals kept as they come."
	case e.Need == Needed:
		return "A result must not go live that says something else there than here. Have it mended at the record system."
	case strings.HasPrefix(e.Element, "extension"), strings.HasPrefix(e.Element, "contained"):
		return "The strip lot then stands in the note alone. Have the extension kept, or accept it here and say why."
	case e.Element == "note":
		return "Notes tell people of lot, flags and corrections. Have them kept and shown."
	}
	return "Have it kept, or accept it here and say why."
}

// essential members: where one of these differs, the record says something
// else than was measured, or it cannot be found again.
var essential = map[string]bool{
	"identifier": true, "status": true, "code": true, "subject": true, "effectiveDateTime": true, "result": true,
	"valueQuantity.value": true, "valueQuantity.comparator": true, "valueQuantity.code": true, "valueQuantity.system": true,
}

// compare tells for each element of a resource what became of it: each member,
// quantities member by member, extensions by their address, contained
// resources by their type. links gives the reference behind each urn sent.
func compare(title string, sent, stored []byte, links map[string]string) []Element {
	a, b := tree(sent), tree(stored)
	var out []Element
	add := func(element string, a, b any) {
		d := differ{links: links}
		d.diff("", a, b)
		e := Element{Resource: title, Element: element, Fate: Survived, Need: Wanted}
		if essential[element] {
			e.Need = Needed
		}
		switch {
		case len(d.off) == 0:
		case d.kept == 0 && !d.stored:
			e.Fate, e.Sent = Lost, d.off[0].sent
		default:
			e.Fate, e.Sent, e.Stored = Changed, d.off[0].text(d.off[0].sent), d.off[0].text(d.off[0].stored)
			if e.Need == Needed && d.sameMeaning() {
				e.Need = Wanted
			}
		}
		if element == "subject" { // a patient's reference is not for the report
			e.Sent, e.Stored = "", ""
			if e.Fate == Changed {
				e.Sent, e.Stored = "the test patient", "another reference"
			}
		}
		out = append(out, e)
	}
	for _, key := range slices.Sorted(maps.Keys(a)) {
		switch v := a[key].(type) {
		case map[string]any:
			if key != "valueQuantity" {
				add(key, v, b[key])
				continue
			}
			quantity, _ := b[key].(map[string]any)
			for _, member := range slices.Sorted(maps.Keys(v)) {
				add(key+"."+member, v[member], quantity[member])
			}
		case []any:
			if key != "extension" && key != "contained" {
				add(key, v, b[key])
				continue
			}
			for _, item := range v {
				add(key+" "+nameOf(item), []any{item}, b[key])
			}
		default:
			if key != "resourceType" && key != "id" {
				add(key, v, b[key])
			}
		}
	}
	for _, key := range slices.Sorted(maps.Keys(b)) {
		if _, there := a[key]; !there && key != "id" {
			out = append(out, Element{Resource: title, Element: key, Fate: Added, Need: Told})
		}
	}
	return out
}

// nameOf is the last part of an extension's address, or a contained resource's
// type.
func nameOf(item any) string {
	m, _ := item.(map[string]any)
	if url, ok := m["url"].(string); ok {
		return url[strings.LastIndexByte(url, '/')+1:]
	}
	typ, _ := m["resourceType"].(string)
	return typ
}

// tree reads a resource with its numbers' digits as they are.
func tree(resource []byte) map[string]any {
	d := json.NewDecoder(bytes.NewReader(resource))
	d.UseNumber()
	var m map[string]any
	_ = d.Decode(&m) // what cannot be read has no members: all is lost
	return m
}

// differ gathers where two trees differ.
type differ struct {
	links  map[string]string
	kept   int
	stored bool // there is something in its place
	off    []off
}

// off is one leaf that is not as it was sent; stored is "" if it is missing.
type off struct {
	path, sent, stored string
	raw                [2]any
}

func (o off) text(value string) string {
	if value == "" {
		value = "nothing"
	}
	if o.path == "" {
		return value
	}
	return strings.TrimPrefix(o.path, ".") + " " + value
}

// sameMeaning tells that each difference is one of writing alone: another
// number of digits, or the same instant in another offset.
func (d *differ) sameMeaning() bool {
	for _, o := range d.off {
		a, isNumber := o.raw[0].(json.Number)
		b, isNumberToo := o.raw[1].(json.Number)
		switch {
		case isNumber && isNumberToo && sameNumber(a.String(), b.String()):
		case !isNumber && !isNumberToo && sameInstant(o.sent, o.stored):
		default:
			return false
		}
	}
	return len(d.off) > 0
}

func (d *differ) diff(path string, sent, stored any) {
	d.stored = d.stored || stored != nil
	switch a := sent.(type) {
	case map[string]any:
		b, _ := stored.(map[string]any)
		for _, key := range slices.Sorted(maps.Keys(a)) {
			if key == "id" && a["resourceType"] != nil {
				continue // a contained resource may be renamed
			}
			d.diff(path+"."+key, a[key], b[key])
		}
	case []any:
		b, _ := stored.([]any)
		d.list(path, a, b)
	default:
		if d.same(sent, stored) {
			d.kept++
			return
		}
		d.off = append(d.off, off{path, show(sent), show(stored), [2]any{sent, stored}})
	}
}

// list gives each item sent the item stored that is most like it.
func (d *differ) list(path string, sent, stored []any) {
	free := slices.Clone(stored)
	for i, item := range sent {
		best := differ{links: d.links}
		best.diff(path, item, nil)
		at := -1
		for j, other := range free {
			try := differ{links: d.links}
			try.diff(path, item, other)
			if try.kept > best.kept || at < 0 && try.kept > 0 || try.kept == best.kept && len(try.off) < len(best.off) {
				best, at = try, j
			}
		}
		if at >= 0 {
			free = slices.Delete(free, at, at+1)
		}
		if len(sent) > 1 {
			for k := range best.off {
				best.off[k].path = fmt.Sprintf("%s[%d]%s", path, i, strings.TrimPrefix(best.off[k].path, path))
			}
		}
		d.kept += best.kept
		d.off = append(d.off, best.off...)
	}
}

func (d *differ) same(sent, stored any) bool {
	a, isText := sent.(string)
	b, isTextToo := stored.(string)
	if !isText || !isTextToo {
		return sent == stored
	}
	if a == b {
		return true
	}
	if link := d.links[a]; link != "" {
		a = link
	}
	if strings.HasPrefix(a, "urn:uuid:") { // sent along, and given an id there that no receipt tells
		ref, _ := fhir.Place(b)
		return ref != ""
	}
	if strings.HasPrefix(a, "#") && strings.HasPrefix(b, "#") {
		return true
	}
	if ref, _ := fhir.Place(b); ref != "" && ref == a {
		return true // the same by its full address
	}
	return a == b
}

func show(v any) string {
	switch v := v.(type) {
	case nil:
		return ""
	case string:
		return v
	case json.Number:
		return v.String()
	case bool:
		return fmt.Sprint(v)
	}
	return "something else"
}

func sameNumber(a, b string) bool {
	x, ok := new(big.Rat).SetString(a)
	y, okToo := new(big.Rat).SetString(b)
	return ok && okToo && x.Cmp(y) == 0
}

func sameInstant(a, b string) bool {
	x, err := time.Parse(time.RFC3339Nano, a)
	y, errToo := time.Parse(time.RFC3339Nano, b)
	return err == nil && errToo == nil && x.Equal(y)
}
