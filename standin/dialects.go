package standin

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"
)

// sedgeLIS writes LIS02 records: local times, the lots in comments, as the
// records have no field for them.
func (t test) sedgeLIS(d device) []byte {
	at := t.at.Format("20060102150405")
	num, seconds := t.value(d)
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\r", args...) }
	line(`H|\^&|||SEDGE5^V5|||||||P|LIS2-A2|%s`, sentLocal)
	kind := ""
	if t.level != "" {
		kind = "|||||||Q"
	} else {
		line(`P|1||%s||%s||%s|%s`, t.patientCX(""), t.nameXPN(), hl7Date(or(t.born, t.bornOf())), t.sexOf())
	}
	line(`O|1|%d||^^^INR%s`, t.seq, kind)
	line(`R|1|^^^INR|%s|{INR}||N||%s||%s||%s|%s`, num, or(t.status, "F"), t.operator, at, d.serial)
	if seconds != "" {
		line(`R|2|^^^PT|%s|s||||%s||%s||%s|%s`, seconds, or(t.status, "F"), t.operator, at, d.serial)
	}
	line(`C|1|I|strip lot %s|G`, t.lot)
	if t.level != "" {
		line(`C|2|I|control lot %s level %s|G`, d.controls, t.level)
	}
	line(`L|1|N`)
	return []byte(b.String())
}

// sedgePOCT1A writes one document, of type R01 for a patient and R02 for a
// control. It names no meter: the hello of the conversation does.
func (t test) sedgePOCT1A(d device) []byte {
	const layout = "2006-01-02T15:04:05-07:00"
	at := t.at.Format(layout)
	num, seconds := t.value(d)
	obs := func(code, system, value, unit string) string {
		return fmt.Sprintf(`<OBS><OBS.observation_id V="%s" SN="%s"/><OBS.value V="%s" U="%s"/><OBS.method_cd V="M"/></OBS>`, code, system, value, unit)
	}
	values := obs("34714-6", "LN", num, "{INR}")
	if seconds != "" {
		values += obs("5964-2", "LN", seconds, "s")
	}
	kind, role := "OBS.R01", "OBS"
	about := fmt.Sprintf(`<PT><PT.patient_id V="%s"/><PT.birth_date V="%s"/>%s</PT>`, t.patientCX(""), or(t.born, t.bornOf()), values)
	if t.level != "" {
		kind, role = "OBS.R02", "LQC"
		about = fmt.Sprintf(`<CTC><CTC.name V="Control"/><CTC.lot_number V="%s"/><CTC.level_cd V="%s"/>%s</CTC>`, d.controls, t.level, values)
	}
	return fmt.Appendf(nil, `<%s><HDR><HDR.control_id V="%d"/><HDR.version_id V="POCT1"/><HDR.creation_dttm V="%s"/></HDR>`+
		`<SVC><SVC.role_cd V="%s"/><SVC.observation_dttm V="%s"/><SVC.reason_cd V="NEW"/><SVC.sequence_nbr V="%d"/>%s`+
		`<OPR><OPR.operator_id V="%s"/></OPR><RGT><RGT.name V="PT strip"/><RGT.lot_number V="%s"/></RGT></SVC></%s>`,
		kind, t.seq, sentZoned, role, at, t.seq, about, t.operator, t.lot, kind)
}

// event is an error of a Sedge 5 that speaks POCT1-A: no test, an EVS document.
func (t test) event(d device) []byte {
	return fmt.Appendf(nil, `<EVS.R01><HDR><HDR.control_id V="%d"/><HDR.version_id V="POCT1"/><HDR.creation_dttm V="%s"/></HDR>`+
		`<EVT><EVT.description V="%s"/><EVT.event_dttm V="%s"/><EVT.severity_cd V="W"/><OPR><OPR.operator_id V="%s"/></OPR></EVT></EVS.R01>`,
		t.seq, sentZoned, t.inr, t.at.Format("2006-01-02T15:04:05-07:00"), d.operator)
}

// rushRecord is one test in a file of a Rush 4, which tells how the test went.
type rushRecord struct {
	Device  string            `json:"device"`
	No      int               `json:"no"`
	Kind    string            `json:"kind"`
	At      string            `json:"at"`
	User    string            `json:"user"`
	Patient map[string]string `json:"patient,omitempty"`
	Control map[string]string `json:"control,omitempty"`
	Strip   string            `json:"strip"`
	INR     string            `json:"inr"`
	Seconds string            `json:"seconds,omitempty"`
	Asked   string            `json:"asked,omitempty"`
	Sample  string            `json:"sample,omitempty"`
	Ran     string            `json:"ran,omitempty"`
	Haemato string            `json:"haematocrit,omitempty"`
	Remark  string            `json:"remark,omitempty"`
}

func (t test) rush(d device) []byte {
	num, seconds := t.value(d)
	ran := t.run.lasted
	if ran == "" {
		ran = strings.TrimLeft(seconds, "<>")
	}
	sample := t.at.Add(-time.Minute)
	r := rushRecord{
		Device: d.serial, No: t.seq, Kind: "patient", At: t.at.Format(time.RFC3339), User: t.operator, Strip: t.lot, INR: num, Seconds: seconds,
		Asked: sample.Add(-max(t.run.waited, 20*time.Second)).Format(time.RFC3339), Sample: sample.Format(time.RFC3339), Ran: ran,
		Haemato: t.run.haematocrit, Remark: t.run.note,
	}
	if t.level != "" {
		r.Kind, r.Control = "control", map[string]string{"lot": d.controls, "level": t.level}
	} else {
		r.Patient = map[string]string{"id": t.patientCX(""), "born": or(t.born, t.bornOf())}
	}
	b, err := json.MarshalIndent(map[string]any{"made_by": "Rush 4", "tests": []rushRecord{r}}, "", " ")
	if err != nil {
		panic(err) // texts and numbers only
	}
	return append(b, '\n')
}

// tern writes XML: an element a test, in a namespace of its own.
func (t test) tern(d device) []byte {
	num, _ := t.value(d)
	kind, who := "patient", fmt.Sprintf(`<patient id="%s"/>`, t.patientCX(""))
	if t.level != "" {
		kind, who = "control", fmt.Sprintf(`<control lot="%s" level="%s"/>`, d.controls, t.level)
	}
	return fmt.Appendf(nil, "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<t:export xmlns:t=\"https://tern.example/export\" device=\"%s\">\n"+
		" <t:test no=\"%d\" kind=\"%s\" by=\"%s\">\n  <t:run at=\"%s\" strip=\"%s\"/>\n  %s\n  <t:inr unit=\"ratio\">%s</t:inr>\n </t:test>\n</t:export>\n",
		d.serial, t.seq, kind, t.operator, t.at.Format(time.RFC3339), t.lot,
		strings.NewReplacer("<patient", "<t:patient", "<control", "<t:control").Replace(who), num)
}

// labHeader is the first line of the laboratory's own list.
const labHeader = "Number,Taken,Patient,Method,INR\n"

// labRow is one result of the laboratory, measured in plasma.
func labRow(number int, at time.Time, who person, inr string) string {
	return fmt.Sprintf("L%05d,%s,%s,venous,%s\n", number, at.Format(time.RFC3339), who.id, inr)
}
