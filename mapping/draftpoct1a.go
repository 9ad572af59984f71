package mapping

import (
	"slices"
	"strings"

	"tidegate/poct"
	"tidegate/wire/poct1a"
)

func draftKeyPOCT1A(raw []byte) (key, problem string) {
	docs, fault := poctDocuments(raw)
	switch {
	case fault != "":
		return "", fault
	case len(docs) == 0:
		return "", "there is no document of POCT1-A in it"
	}
	for _, d := range docs {
		if _, broken := poct1a.Parse(d.raw, poct1a.Limits{}); broken != nil {
			return "", "a document cannot be read: " + broken.Error()
		}
	}
	return "", ""
}

// heardPOCT are the documents of all samples. The standard has a place for
// nearly everything, so that little is left to guess at.
type heardPOCT struct {
	g     *drafted
	roots []*poct1a.Element
}

func draftPOCT1A(g *drafted) {
	h := &heardPOCT{g: g}
	for _, raw := range g.messages {
		docs, _ := poctDocuments(raw)
		for _, doc := range docs {
			if d, broken := poct1a.Parse(doc.raw, poct1a.Limits{}); broken == nil {
				h.roots = append(h.roots, d.Root)
			}
		}
	}
	if model := h.seen("DEV.model_id"); len(model) == 1 {
		g.cfg.Match = map[string]Values{"DEV.model_id": {model[0]}}
		g.cfg.Model, g.cfg.ID = model[0], strings.ToLower(model[0])+"-poct1a"
	} else {
		g.doubt("match", "%d models were seen in the samples' hellos (DEV.model_id); with several profiles on an inlet, match by one", len(model))
	}
	h.fields()
	h.results()
	for _, text := range h.seen("EVT.description") {
		g.errorCodes([]string{text})
	}
	// What the messages themselves say (OBS.R02, CTC) marks a control.
	g.doubt("control", "the message's type, its container and SVC.role_cd mark a control; poct1a.patient_roles and poct1a.control_roles change the roles")
}

// seen lists the different texts at a place.
func (h *heardPOCT) seen(at string) []string {
	place, ok := poctPlace(at)
	if !ok {
		return nil
	}
	p := place.in.(poctPath) //nolint:forcetypeassert // made by poctPlace
	s := &poctScope{}
	var out []string
	for _, root := range h.roots {
		for _, x := range fieldsBelow(root, p.field, "", 0) {
			if t := s.told(x, p).text; t != "" && !slices.Contains(out, t) {
				out = append(out, t)
			}
		}
	}
	return out
}

func (h *heardPOCT) fields() {
	g, f := h.g, &h.g.cfg.Fields
	for _, x := range []struct {
		to     *FieldConfig
		places []string
	}{
		{&f.Meter, []string{"DEV.serial_id", "DEV.device_id"}}, {&f.Sequence, []string{"SVC.sequence_nbr"}}, {&f.TestedAt, []string{"SVC.observation_dttm"}},
		{&f.Operator, []string{"OPR.operator_id"}}, {&f.Patient, []string{"PT.patient_id"}}, {&f.Family, []string{"PT.name/FAM"}}, {&f.Given, []string{"PT.name/GIV"}},
		{&f.BirthDate, []string{"PT.birth_date"}}, {&f.Sex, []string{"PT.gender_cd"}}, {&f.SampledAt, []string{"SPC.specimen_dttm"}},
		{&f.StripLot, []string{"RGT.lot_number"}}, {&f.StripExpires, []string{"RGT.expiration_date"}}, {&f.Order, []string{"ORD.order_id"}},
	} {
		if at := slices.IndexFunc(x.places, func(p string) bool { return len(h.seen(p)) > 0 }); at >= 0 {
			x.to.At = x.places[at]
		}
	}
	if f.Meter.At == "" {
		g.doubt("fields.meter", "no hello is among the samples: add one, the meter names itself there and nowhere else")
	}
	orPlace(&f.Meter.At, "DEV.serial_id")
	orPlace(&f.TestedAt.At, "SVC.observation_dttm")
	orPlace(&f.Patient.At, "PT.patient_id")
	f.Patient.Authority = "AUTHORITY"
	g.doubt("fields.patient", "write the authority that assigned the number, as in registry.identifier_systems")
	if f.StripLot.At == "" {
		g.doubt("fields.strip_lot", "no strip lot was found (RGT.lot_number)")
	}
	if names := h.seen("RGT.name"); len(names) > 1 {
		where := map[string]Values{"RGT.name": {names[0]}}
		f.StripLot.Where = where
		if f.StripExpires.At != "" {
			f.StripExpires.Where = where
		}
		g.doubt("fields.strip_lot", "several reagents are named (%s); which is the strip?", strings.Join(names, ", "))
	}
}

// results sorts what was observed by its code, as it stands beside its value.
func (h *heardPOCT) results() {
	var kinds []*codedKind
	s := &poctScope{}
	value, unit, code := mustPoct("OBS.value").in.(poctPath), mustPoct("OBS.value@U").in.(poctPath), poctCode.in.(poctPath)
	one := func(obs *poct1a.Element, p poctPath) string {
		for _, x := range directly(obs, p.field, 0) {
			return s.told(x, p).text
		}
		return ""
	}
	for _, root := range h.roots {
		for _, obs := range root.All("OBS") {
			name := one(obs, code)
			at := slices.IndexFunc(kinds, func(k *codedKind) bool { return k.code == name })
			if at < 0 {
				at = len(kinds)
				kinds = append(kinds, &codedKind{code: name, means: meaningOf(name).field})
			}
			kinds[at].values = append(kinds[at].values, one(obs, value))
			if u := one(obs, unit); !slices.Contains(kinds[at].units, u) {
				kinds[at].units = append(kinds[at].units, u)
			}
		}
	}
	for _, k := range kinds {
		if known, ok := analyteCodes[k.code]; ok {
			k.means = known.analyte
		}
		if _, no := notResults[k.code]; no || !slices.ContainsFunc(k.values, isNumber) {
			k.means = ""
		}
	}
	h.g.coded(poctCode.text, kinds)
	h.g.cfg.Fields.Haematocrit = coded("OBS.value", poctCode.text, kinds, poct.FieldHaematocrit)
}
