package mapping

import (
	"strconv"

	"tidegate/poct"
)

// shared adds what many results have in common: the meter, the clinic and the
// strip lot, created once where the record system takes them, else named.
func (b *builder) shared() {
	rd := &b.r.Reading
	b.meter = reference{typ: "Device", system: serialSystem, value: rd.Meter, display: rd.Model}
	if b.takes("Device") {
		p := once("Device", serialSystem, rd.Meter, named(serialSystem, rd.Meter).URN())
		b.open(p)
		b.identified(serialSystem, rd.Meter)
		b.w.Text("status", "active").Text("serialNumber", rd.Meter).Text("modelNumber", rd.Model)
		b.concept("type", "", "", "", "Point-of-care coagulation meter")
		b.meter = b.done(p)
	}
	if site := b.r.Site; site != "" {
		name := b.r.SiteName
		if name == "" {
			name = site
		}
		b.clinic = reference{typ: "Organization", system: siteSystem, value: site, display: name}
		if b.takes("Organization") {
			p := once("Organization", siteSystem, site, named(siteSystem, site).URN())
			b.open(p)
			b.identified(siteSystem, site)
			b.w.Text("name", name)
			b.clinic = b.done(p)
		}
	}
	if b.r.OperatorOK && rd.Operator != "" {
		// Who it is stands in the clinic's own directory: the number alone goes along.
		b.operator = reference{typ: "Practitioner", system: operatorSystem, value: rd.Operator, display: "Operator " + rd.Operator}
	}
	if lot := rd.StripLot; lot != "" {
		b.strip = reference{to: "#" + containedStrip}
		if b.takes("Substance") {
			p := once("Substance", lotSystem, lot, named(lotSystem, lot).URN())
			b.open(p)
			b.substance()
			b.strip = b.done(p)
		}
	}
}

// containedStrip is the id of the strip lot inside an Observation, where it
// cannot be a resource of its own.
const containedStrip = "strip"

// substance writes the members of the strip lot, up to its end.
func (b *builder) substance() {
	lot := b.r.Reading.StripLot
	b.identified(lotSystem, lot)
	b.concept("code", "", "", "", "Prothrombin time test strip")
	b.w.List("instance").Open("").Open("identifier").Text("system", lotSystem).Text("value", lot).Close()
	b.w.Text("expiry", dateOnly(b.r.LotExpires)).Close().End()
}

// specimenCodes: SNOMED CT types. Capillary blood has no code in HL7 table
// 0487, but a collection method in table 0488.
var specimenCodes = map[string]struct{ snomed, display, method, methodText string }{
	"capillary": {"122554006", "Capillary blood specimen", "CAP", "Capillary Specimen"},
	"venous":    {"122555007", "Venous blood specimen", "", ""},
}

// specimen is the drop of blood. A later version of a result refers to the
// specimen of the first.
func (b *builder) specimen() {
	if ref := b.ids.Remote["specimen"]; ref != "" && b.action != poct.Create {
		b.sample = reference{to: ref}
		return
	}
	p := b.fresh("Specimen", stableID(b.r, "specimen"))
	b.open(p)
	b.identified(systemURI, p.urn)
	b.w.Text("status", "available")
	c, known := specimenCodes[b.r.Reading.Specimen]
	if known {
		b.concept("type", "http://snomed.info/sct", c.snomed, c.display, "")
	}
	b.refer("subject", reference{to: b.ids.Patient})
	b.w.Open("collection").Text("collectedDateTime", b.effective)
	if c.method != "" {
		b.concept("method", "http://terminology.hl7.org/CodeSystem/v2-0488", c.method, c.methodText, "")
	}
	b.w.Close()
	b.sample = b.done(p)
}

// report groups the observations of one strip. LOINC has no panel of capillary
// PT and INR that we know of, so it is named by text. A value that an earlier
// version filed and this one does not bring stays in the report.
func (b *builder) report() {
	p := b.part("DiagnosticReport", "diagnosticreport", "report")
	b.open(p)
	b.identified(systemURI, p.urn)
	b.refers("basedOn", b.order())
	b.w.Text("status", b.status())
	b.concepts("category", "http://terminology.hl7.org/CodeSystem/v2-0074", "LAB", "Laboratory")
	b.concept("code", "", "", "", "Prothrombin time and INR, point of care")
	b.refer("subject", reference{to: b.ids.Patient})
	b.refer("encounter", b.encounter())
	b.w.Text("effectiveDateTime", b.effective).Text("issued", b.issued)
	b.refers("performer", b.operator, b.clinic)
	b.refers("specimen", b.sample)
	b.refers("result", append(b.observations[:len(b.observations):len(b.observations)], b.kept()...)...)
	b.filed = b.done(p)
}

// kept lists the Observations that were filed and are not in this version.
func (b *builder) kept() []reference {
	var out []reference
	if b.action == poct.Create {
		return nil
	}
	for _, a := range analytes {
		ref := b.ids.Remote["observation/"+a]
		if _, here := b.r.Reading.Measured(a); here || ref == "" {
			continue
		}
		if b.action == poct.Withdraw {
			b.fail("the withdrawal does not name every value that was filed: %s", a)
		}
		out = append(out, reference{to: ref})
	}
	return out
}

// activities in the terms of v3-DataOperation.
var activities = map[poct.Action]string{poct.Create: "CREATE", poct.Correct: "UPDATE", poct.Withdraw: "NULLIFY"}

const (
	participants = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	operations   = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
)

// provenance says which message this came from and who put it together. It is
// put under an id of ours where the record system takes one, since it has no
// identifier that a second copy could be told by.
func (b *builder) provenance() {
	id := stableID(b.r, "provenance/"+strconv.Itoa(b.r.Version)+"/"+string(b.action))
	p := part{typ: "Provenance", urn: id.URN()}
	p.write.Method, p.write.URL = "POST", "Provenance"
	if b.o.Unanswered || b.o.Caps.Resources["Provenance"].UpdateCreate {
		p.id, p.write.Method, p.write.URL = id.String(), "PUT", "Provenance/"+id.String()
	}
	b.open(p)
	b.refers("target", append(b.observations[:len(b.observations):len(b.observations)], b.filed)...)
	b.w.Text("recorded", b.issued)
	b.concept("activity", operations, activities[b.action], "", "")
	b.w.List("agent")
	b.agent("assembler", "Assembler", reference{display: "tidegate"})
	if b.operator.set() {
		b.agent("performer", "Performer", b.operator)
	}
	b.w.End().List("entity")
	b.entity("source", reference{system: systemURI, value: "urn:uuid:" + b.r.Reading.Arrival, display: "Message from the meter, kept by tidegate"})
	if b.action != poct.Create {
		for _, m := range b.r.Reading.Measurements {
			ref, tag := b.ids.Remote["observation/"+m.Analyte], version(b.ids.Remote["etag/observation/"+m.Analyte])
			if ref != "" && tag != "" {
				b.entity("revision", reference{to: ref + "/_history/" + tag})
			}
		}
	}
	b.w.End()
	b.done(p)
}

func (b *builder) agent(code, display string, who reference) {
	b.w.Open("")
	b.concept("type", participants, code, display, "")
	b.refer("who", who)
	b.w.Close()
}

func (b *builder) entity(role string, what reference) {
	b.w.Open("").Text("role", role)
	b.refer("what", what)
	b.w.Close()
}

// version is the version id within a weak ETag, W/"3".
func version(etag string) string {
	if len(etag) < 5 || etag[:3] != `W/"` || etag[len(etag)-1] != '"' {
		return ""
	}
	return etag[3 : len(etag)-1]
}
