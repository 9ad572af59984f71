package config

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"tidegate/ingest/folder"
	"tidegate/ingest/httpin"
	"tidegate/ingest/jetstream"
	"tidegate/ingest/lis"
	"tidegate/ingest/mllp"
	"tidegate/ingest/poct1a"
	"tidegate/mapping"
	"tidegate/poct"
)

// accepted lists what an inlet can be told to take.
var accepted = []string{mapping.AcceptResults, mapping.AcceptADT, mapping.AcceptOrders}

// spoken is the one format that comes by a protocol.
var spoken = map[string]string{"mllp": "hl7v2", "lis": "lis02", "poct1a": "poct1a"}

// Kinds lists the kinds of inlet.
func (*Inlet) Kinds() []string {
	return []string{"mllp", "lis", "poct1a", "folder", "jetstream", "http"}
}

// Part makes the place for the keys that belong to the inlet's kind alone.
func (in *Inlet) Part(kind string) any {
	switch kind {
	case "mllp":
		in.Config = &mllp.Config{}
	case "lis":
		in.Config = &lis.Config{}
	case "poct1a":
		in.Config = &poct1a.Config{}
	case "folder":
		in.Config = &folder.Config{}
	case "jetstream":
		in.Config = &jetstream.Config{}
	case "http":
		in.Config = &httpin.Config{}
	}
	return in.Config
}

// inlets checks each inlet, and what two of them must not share.
func (l *loader) inlets() {
	c := l.cfg
	if len(c.Inlets) == 0 {
		l.fault("inlets", "no inlet is configured", "write where messages come in: at least one")
	}
	ids := l.unique("inlet")
	taken := map[string]string{c.Web.Listen: "web.listen"}
	for i := range c.Inlets {
		in := &c.Inlets[i]
		key := fmt.Sprintf("inlets[%d]", i)
		ids(key+".id", in.ID)
		l.accepts(key, in)
		l.reads(key, in)
		l.watched(key, &in.Watch)
		if in.Config == nil {
			continue // of no known kind: said already
		}
		switch part := in.Config.(type) {
		case *folder.Config:
			l.path(&part.Path)
		case *jetstream.Config:
			*part = part.WithDefaults() // so that two embedded servers on the usual port are noticed
		}
		if checked, ok := in.Config.(interface{ Validate() []poct.KeyFault }); ok {
			for _, k := range checked.Validate() {
				l.at(l.doc, key, k)
			}
		}
		part := reflect.ValueOf(in.Config).Elem()
		l.files(key, part)
		for _, f := range fieldsOf(part) {
			if f.name != "listen" && f.name != "serial" && (f.name != "path" || in.Kind != "folder") {
				continue
			}
			place := f.value.String()
			if first, twice := taken[place]; twice && place != "" && !strings.HasSuffix(place, ":0") {
				l.fault(key+"."+f.name, "is taken already by "+first, "write another one")
				continue
			}
			taken[place] = key + "." + f.name
		}
	}
}

func (l *loader) accepts(key string, in *Inlet) {
	if in.Accepts == nil {
		in.Accepts = []string{mapping.AcceptResults}
	}
	for i, what := range in.Accepts {
		if !slices.Contains(accepted, what) {
			l.fault(fmt.Sprintf("%s.accepts[%d]", key, i), "is nothing that an inlet takes", "write "+strings.Join(accepted, ", "))
		}
	}
	if len(in.Accepts) == 0 {
		l.fault(key+".accepts", "is empty", "write [results], or leave the key out")
	}
	told := slices.Contains(in.Accepts, mapping.AcceptADT) || slices.Contains(in.Accepts, mapping.AcceptOrders)
	if told && (in.Kind == "lis" || in.Kind == "poct1a") {
		l.fault(key+".accepts", "an inlet of this kind carries results alone", "write [results]; ADT and orders are HL7 v2 messages, for mllp, folder, jetstream or http")
	}
	if !told && (in.Authority != "" || in.TimeZone != "" || in.TargetCode != "") {
		l.fault(key+".accepts", "takes neither adt nor orders, which authority, time_zone and target_code are for", "write accepts: [adt, orders], or remove those keys")
	}
	if in.TimeZone != "" {
		if zone, err := time.LoadLocation(in.TimeZone); err != nil || in.TimeZone == "Local" {
			l.fault(key+".time_zone", "is no IANA time zone", "write one such as Europe/Berlin")
		} else {
			in.Zone = zone
		}
	}
}

// reads checks that the inlet's profiles exist and can read what comes in there.
func (l *loader) reads(key string, in *Inlet) {
	if len(in.Profiles) == 0 && slices.Contains(in.Accepts, mapping.AcceptResults) {
		l.fault(key+".profiles", "names no profile", "write the ids of the profiles of the meters that send here")
	}
	for i, id := range in.Profiles {
		at := fmt.Sprintf("%s.profiles[%d]", key, i)
		n := slices.IndexFunc(l.cfg.Profiles, func(p mapping.ProfileConfig) bool { return p.ID == id })
		switch {
		case n < 0:
			l.fault(at, fmt.Sprintf("there is no profile %q", id), "write one of "+strings.Join(l.profileIDs(), ", "))
		case slices.Index(in.Profiles, id) != i:
			l.fault(at, "stands here a second time", "remove it")
		case spoken[in.Kind] != "" && spoken[in.Kind] != l.cfg.Profiles[n].Format:
			l.fault(at, fmt.Sprintf("reads %s, which never comes in here", l.cfg.Profiles[n].Format), "write a profile of format "+spoken[in.Kind])
		}
	}
}

func (l *loader) profileIDs() []string {
	var ids []string
	for _, p := range l.cfg.Profiles {
		ids = append(ids, p.ID)
	}
	slices.Sort(ids)
	return slices.Compact(ids)
}
