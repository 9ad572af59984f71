package standin

import (
	"bytes"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"text/template"
)

// Ports are the addresses that a set-up is written for. "127.0.0.1:0" lets the
// system choose.
type Ports struct {
	Web, MLLP, HTTP string
	LIS, POCT1A     string // "" leaves the inlet out
	Record          string // base URL of the record system
	Notify          string // URL of whoever is to be told; "" tells nobody
}

// Setup is what was written and what the players of the day need of it.
type Setup struct {
	Config      string            // path of the configuration file
	Drop        string            // folder of the folder inlet
	PushToken   string            // of the HTTP inlet
	RecordToken string            // that the record system asks for
	NotifyToken string            // that notifications bring
	Tokens      map[string]string // by actor, for the pages
}

// actor is a person of the demonstration.
type actor struct{ Name, Role, Operator, File string }

var actors = []actor{
	{"r.ito", "reviewer", "118", "s/ito"},
	{"c.hale", "coordinator", "", "s/hale"},
	{"d.varga", "clinician", "", "s/varga"},
	{"n.osei", "nurse", "124", "s/osei"},
	{"e.moss", "engineer", "", "s/moss"},
	{"a.quist", "auditor", "", "s/quist"},
}

// WriteSetup writes the configuration of the day into a folder: registry,
// profiles, secrets of mode 0600. The configuration stands in tidegate.yaml.
func (d *Day) WriteSetup(dir string, ports Ports) (Setup, error) {
	s := Setup{Config: filepath.Join(dir, "tidegate.yaml"), Drop: filepath.Join(dir, "drop"), Tokens: map[string]string{}}
	for _, sub := range []string{"r", "s", "drop", "anchors"} {
		if err := os.MkdirAll(filepath.Join(dir, sub), 0o700); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
	}
	for _, t := range d.registry() {
		var b bytes.Buffer
		if err := t.write(&b); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
		if err := os.WriteFile(filepath.Join(dir, "r", t.name+".csv"), b.Bytes(), 0o600); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
	}
	secret := func(file string) (string, error) {
		word := newSecret()
		return word, os.WriteFile(filepath.Join(dir, file), []byte(word+"\n"), 0o600)
	}
	var err error
	if s.PushToken, err = secret("s/push"); err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	if s.RecordToken, err = secret("s/record"); err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	if s.NotifyToken, err = secret("s/duty"); err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	for _, a := range actors {
		if s.Tokens[a.Name], err = secret(a.File); err != nil {
			return s, fmt.Errorf("standin: %w", err)
		}
	}
	var b bytes.Buffer
	err = configuration.Execute(&b, map[string]any{
		"Ports": ports, "Actors": actors, "Tables": d.tableNames(), "Training": d.trainingPatient().id, "ControlID": ControlID,
		"Trainee": inTraining, "LocalRule": localRule,
	})
	if err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	if err := os.WriteFile(s.Config, b.Bytes(), 0o600); err != nil {
		return s, fmt.Errorf("standin: %w", err)
	}
	return s, nil
}

func (d *Day) tableNames() []string {
	var names []string
	for _, t := range d.registry() {
		names = append(names, t.name)
	}
	return names
}

func newSecret() string {
	var b [24]byte
	_, _ = rand.Read(b[:]) // never fails since Go 1.24
	return hex.EncodeToString(b[:])
}

var configuration = template.Must(template.New("tidegate.yaml").Parse(`{{define "sedge-fields"}}
      meter: OBX-18.1
      sequence: OBR-3.1
      tested_at: {at: OBR-7, zone: site}
      operator: OBX-16.1
      patient: {at: PID-3, type: PI}
      birth_date: PID-7
      family: PID-5.1
      given: PID-5.2
      sex: PID-8
      strip_lot: {at: OBX-17.2, pattern: "^strip ([A-Z0-9]+)$"}{{end}}{{define "sedge-control"}}
      when: {OBR-4.1: [S-QC]}
      lot: {at: OBX-5, where: {OBX-3.1: S-CLOT}}
      level: {at: OBX-5, where: {OBX-3.1: S-CLEV}}{{end}}{{define "sedge-errors"}}{ERR21: "The test took too long.", ERR34: "The meter is too cold."}{{end}}# Written for the invented day of the Millrace group. Every clinic, person,
# meter, lot and limit in it is made up.
version: 1
data_dir: ./data
web:
  listen: {{.Ports.Web}}
  tokens:
{{- range .Actors}}
    - {actor: {{.Name}}, role: {{.Role}}, sites: ["*"]{{if .Operator}}, operator: "{{.Operator}}"{{end}}, token_file: {{.File}}}
{{- end}}
ledger: {origin: millrace.example/1, key_file: s/ledger.key, anchor_file: anchors/head}
registry:
  identifier_systems: {MILLRACE: "https://millrace.example/mrn", HARBOUR: "https://harbour.example/mrn"}
  import:
{{- range .Tables}}
    - {kind: {{.}}, path: r/{{.}}.csv}
{{- end}}
profiles:
  - id: quill-hl7
    format: hl7v2
    model: Quill 3
    match: {MSH-3.1: QUILL3}
    specimen: capillary
    measuring_range: {low: "0.7", high: "9.0"}
    fields:
      meter: OBX-18.1
      sequence: OBR-3.1
      tested_at: {at: OBR-7, zone: site}
      operator: OBX-16.1
      patient: {at: PID-3, type: MR, authority: MILLRACE}
      birth_date: PID-7
      family: PID-5.1
      given: PID-5.2
      sex: PID-8
      strip_lot: {at: OBX-5, where: {OBX-3.1: STRIPLOT}}
      onboard: {at: OBX-5, where: {OBX-3.1: STRIPCHECK}, values: {OK: pass, FAIL: fail}}
    control: {when: {SPM-11.1: [Q]}, lot: SPM-2.1, level: SPM-14}
    results:
      - {analyte: inr, where: {OBX-3.1: [34714-6, INR]}, loinc: 46418-0, units: {"{INR}": "{INR}", "": "{INR}"}}
      - {analyte: pt, where: {OBX-3.1: [5964-2, PT]}, loinc: 46417-2, units: {s: s, sec: s}}
    errors: {E-03: "Not enough blood on the strip.", E-05: "Air bubble in the sample.", E-09: "No clot was found in time.", E-07: "The strip was pulled out too early."}
  - id: sedge-v1
    format: hl7v2
    model: Sedge 5
    match: {MSH-3.1: SEDGE5, MSH-3.2: V1}
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    fields: {{template "sedge-fields"}}
    control: {{template "sedge-control"}}
    results:   # the old programme measures as if in plasma, and says so
      - {analyte: inr, where: {OBX-3.1: [S-INR]}, loinc: 6301-6, units: {"": "{INR}", ratio: "{INR}"}}
      - {analyte: pt, where: {OBX-3.1: [S-PTS]}, loinc: 5902-2, units: {sec: s}}
    errors: {{template "sedge-errors"}}
  - id: sedge-v3
    format: hl7v2
    model: Sedge 5
    match: {MSH-3.1: SEDGE5}
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    fields: {{template "sedge-fields"}}
    control: {{template "sedge-control"}}
    results:
      - {analyte: inr, where: {OBX-3.1: [S-INR]}, loinc: 46418-0, units: {"": "{INR}", ratio: "{INR}"}}
      - {analyte: pt, where: {OBX-3.1: [S-PTS]}, loinc: 46417-2, units: {sec: s}}
    errors: {{template "sedge-errors"}}
  - id: reed-csv
    format: csv
    model: Reed 2
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    csv: {delimiter: ";", decimal: ",", encoding: windows-1252, ignore: [Name]}
    fields:
      meter: Serial
      sequence: Seq
      tested_at: {at: Time, layout: "dd.MM.yyyy HH:mm", zone: site}
      operator: User
      patient: {at: PatId, authority: MILLRACE}
      strip_lot: Strip
    control: {when: {Type: [QC]}, lot: CtrlLot, level: Level}
    results:
      - {analyte: inr, value: INR, unit: "{INR}", loinc: 46418-0}
    errors: {E3: "Not enough blood on the strip.", E5: "Humidity too high."}
    not_sent: [birth_date, pt]
  - id: rush-json   # tells when it asked for the sample and how long it ran
    format: json
    model: Rush 4
    match: {/made_by: Rush 4}
    rows: /tests
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    fields:
      meter: device
      sequence: "no"
      tested_at: {at: at, zone: site}
      operator: user
      patient: {at: patient/id, authority: MILLRACE}
      birth_date: patient/born
      strip_lot: strip
      asked_at: {at: asked, zone: site}
      sampled_at: {at: sample, zone: site}
      run_time: ran
      haematocrit: haematocrit
      interference: remark
    control: {when: {kind: [control]}, lot: control/lot, level: control/level}
    results:
      - {analyte: inr, value: inr, unit: "{INR}", loinc: 46418-0}
      - {analyte: pt, value: seconds, unit: s, loinc: 46417-2}
    errors: {E1: "Not enough blood on the strip."}
  - id: tern-xml
    format: xml
    model: Tern 1
    rows: /export/test
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    fields:
      meter: /export/@device
      sequence: "@no"
      tested_at: {at: run/@at, zone: site}
      operator: "@by"
      patient: {at: patient/@id, authority: MILLRACE}
      strip_lot: run/@strip
    control: {when: {"@kind": [control]}, lot: control/@lot, level: control/@level}
    results:
      - {analyte: inr, value: inr, unit: inr/@unit, loinc: 46418-0, units: {ratio: "{INR}"}}
    not_sent: [birth_date, pt]
  - id: sedge-lis
    format: lis02
    model: Sedge 5
    match: {H.5.1: SEDGE5}
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    fields:
      meter: R.14
      sequence: O.3
      tested_at: {at: R.13, zone: site}
      operator: R.11
      patient: {at: P.4, authority: MILLRACE}
      birth_date: P.8
      family: P.6.1
      given: P.6.2
      sex: P.9
      strip_lot: {at: C.4, pattern: "^strip lot ([A-Z0-9]+)$"}
    control: {when: {O.12: [Q]}, lot: {at: C.4, pattern: "^control lot ([A-Z0-9-]+)"}, level: {at: C.4, pattern: "level ([0-9])$"}}
    results:
      - {analyte: inr, where: {R.3.4: [INR]}, loinc: 46418-0, units: {"{INR}": "{INR}"}}
      - {analyte: pt, where: {R.3.4: [PT]}, loinc: 46417-2, units: {s: s}}
    errors: {{template "sedge-errors"}}
  - id: sedge-poct1a
    format: poct1a
    model: Sedge 5
    match: {DEV.model_id: SEDGE5}
    specimen: capillary
    measuring_range: {low: "0.8", high: "8.0"}
    fields:
      meter: DEV.serial_id
      sequence: SVC.sequence_nbr
      tested_at: SVC.observation_dttm
      operator: OPR.operator_id
      patient: {at: PT.patient_id, authority: MILLRACE}
      birth_date: PT.birth_date
      strip_lot: {at: RGT.lot_number, where: {RGT.name: PT strip}}
    results:
      - {analyte: inr, where: {OBS.observation_id: [34714-6, INR]}, loinc: 46418-0, units: {"{INR}": "{INR}"}}
      - {analyte: pt, where: {OBS.observation_id: [5964-2, PT]}, loinc: 46417-2, units: {s: s}}
    errors: {{template "sedge-errors"}}
  - id: lab-csv   # the laboratory's own results, compared with the meters' and never sent
    kind: comparison
    format: csv
    model: Laboratory
    specimen: venous
    csv: {delimiter: ",", ignore: [Method]}
    fields:
      sequence: Number
      tested_at: {at: Taken, zone: Europe/London}
      patient: {at: Patient, authority: MILLRACE}
    results: [{analyte: inr, value: INR, unit: "{INR}", loinc: 34714-6}]
    not_sent: [operator, strip_lot, birth_date, pt]
inlets:
  - {id: bench, kind: mllp, listen: {{.Ports.MLLP}}, accepts: [results], profiles: [quill-hl7, sedge-v1, sedge-v3]{{with .Connections}}, max_connections: {{.}}{{end}}}
  - {id: drop, kind: folder, path: ./drop, profiles: [lab-csv, reed-csv, quill-hl7, rush-json, tern-xml, sedge-lis]}
  - {id: queue, kind: jetstream, url: embedded, listen: "127.0.0.1:0", stream: RESULTS, subject: results.>, durable: tidegate, profiles: [quill-hl7]}
  - {id: push, kind: http, listen: {{.Ports.HTTP}}, path: /messages, token_file: s/push, profiles: [quill-hl7]}
{{- with .Ports.LIS}}
  - {id: link, kind: lis, listen: {{.}}, profiles: [sedge-lis]{{with $.Connections}}, max_connections: {{.}}{{end}}}
{{- end}}
{{- with .Ports.POCT1A}}
  - {id: dock, kind: poct1a, listen: {{.}}, profiles: [sedge-poct1a], send_operators: true, set_time: true, continuous: true{{with $.Connections}}, max_connections: {{.}}{{end}}}
{{- end}}
outlets:
  - id: record
    kind: fhir
    base_url: "{{.Ports.Record}}"
    mode: transaction
    sites: ["*"]
    auth: {kind: bearer, token_file: s/record}
    timeout: 5s
    lookup_wait: 200ms
    retry: {first: 200ms, max: 2s}
    breaker: {failures: 3, pause: 500ms}
checks:
  critical: {limit: "5.0"}
  id-check-digit: {authorities: {MILLRACE: {form: "[0-9]{7}", scheme: mod10}}}
  test-patient: {ids: ["{{.Training}}"]}
  qc-looks-like-patient: {ids: ["{{.ControlID}}"]}
  local:
    - code: {{.LocalRule}}
      severity: flag
      when: has_inr && inr > 4.0 && operator == "{{.Trainee}}"
      text: INR above 4.0 by somebody who is in training.
      remedy: Have somebody else repeat the test.
      field: inr
{{- with .Ports.Notify}}
notify:
  - {id: duty, kind: webhook, url: "{{.}}", token_file: s/duty, sites: ["*"], on: [critical, critical-escalated, ageing-hold, outlet-down, silent-inlet, silent-meter, look-back, lot-recalled]}
meters_usual: 74h
{{- end}}
lookup_patience: 15m
`))
