package poct1a

import (
	"strconv"
	"strings"
	"time"
)

// Type of a message, told by its root element: HDR.message_type is often
// missing, and never needed.
type Type string

// Types.
const (
	HelloMessage      Type = "HEL.R01"
	StatusMessage     Type = "DST.R01"
	PatientResults    Type = "OBS.R01"
	OtherResults      Type = "OBS.R02" // controls, calibration, proficiency
	EventsMessage     Type = "EVS.R01"
	EndOfTopicMessage Type = "EOT.R01"
	AckMessage        Type = "ACK.R01"
	AliveMessage      Type = "KPA.R01"
	EscapeMessage     Type = "ESC.R01"
	EndMessage        Type = "END.R01"
	RequestMessage    Type = "REQ.R01"
)

// object is the part before the release: OBS of OBS.R01.
func (t Type) object() string {
	name, _, _ := strings.Cut(string(t), ".")
	return name
}

// Stored reports whether the message is a fact to be kept: results, events,
// and what is of no type known here. The rest is talk about them.
func (t Type) Stored() bool {
	switch t.object() {
	case "HEL", "DST", "EOT", "ACK", "KPA", "ESC", "END", "REQ", "DTV", "OPL", "PTL":
		return false
	}
	return true
}

// Type of the message; "" without a root.
func (d *Document) Type() Type {
	if d.Root == nil {
		return ""
	}
	return Type(d.Root.Name)
}

// Header is the HDR that every message begins with.
type Header struct {
	ControlID   string
	MessageType string // often missing
	Version     string
	Created     Value // creation_dttm, a TS; see ParseTime
}

// Header of the message. One in another message's text is never taken for it:
// it is looked for below the root alone.
func (d *Document) Header() Header {
	e := d.part("HDR")
	return Header{
		ControlID: e.Get("HDR.control_id").V, MessageType: e.Get("HDR.message_type").V,
		Version: e.Get("HDR.version_id").V, Created: e.Get("HDR.creation_dttm"),
	}
}

// part is the root's own child of this name, or else the root.
func (d *Document) part(name string) *Element {
	if d.Root != nil {
		for _, c := range d.Root.Children {
			if c.Name == name {
				return c
			}
		}
	}
	return d.Root
}

// Hello is what a device says of itself: HEL.R01.
type Hello struct {
	DeviceID, VendorID, ModelID, SerialID, Manufacturer, Hardware, Software, Name string

	Timeout    time.Duration // DCP.application_timeout; 0 if it does not say
	Profile    string        // DSC.connection_profile_cd: SA, CS
	Topics     []string      // DSC.topics_supported_cd
	Directives []string      // DSC.directives_supported_cd
	MaxMessage int           // DSC.max_message_sz in bytes; 0 if it does not say
}

// Hello reads HEL.R01.
func (d *Document) Hello() Hello {
	r := d.Root
	h := Hello{
		DeviceID: r.Get("DEV.device_id").V, VendorID: r.Get("DEV.vendor_id").V, ModelID: r.Get("DEV.model_id").V,
		SerialID: r.Get("DEV.serial_id").V, Manufacturer: r.Get("DEV.manufacturer_name").V,
		Hardware: r.Get("DEV.hw_version").V, Software: r.Get("DEV.sw_version").V, Name: r.Get("DEV.device_name").V,
		Profile: r.Get("DSC.connection_profile_cd").V,
		Topics:  r.list("DSC.topics_supported_cd"), Directives: r.list("DSC.directives_supported_cd"),
	}
	h.Timeout = time.Duration(max(0, count(r.Get("DCP.application_timeout").V, 24*3600))) * time.Second
	h.MaxMessage = max(0, count(r.Get("DSC.max_message_sz").V, 1<<30))
	return h
}

// Serial identifies the device: its serial number, or else its device id.
func (h Hello) Serial() string {
	if h.SerialID != "" {
		return h.SerialID
	}
	return h.DeviceID
}

// count reads a whole number from 0 to most; -1 where there is none.
func count(text string, most int) int {
	whole, rest, _ := strings.Cut(text, ".")
	n, err := strconv.Atoi(whole)
	if err != nil || n < 0 || strings.Trim(rest, "0") != "" {
		return -1
	}
	return min(n, most)
}

// Status is how a device stands: DST.R01. Quantities are advice, not a promise.
type Status struct {
	At           Value            // status_dttm
	Observations int              // new_observations_qty; -1 if it does not say
	Events       int              // new_events_qty; -1 if it does not say
	Condition    string           // condition_cd: R is ready
	Updated      map[string]Value // by field name: when each loaded list was made, DST.*_update_dttm
}

// Status reads DST.R01.
func (d *Document) Status() Status {
	s := Status{
		At: d.Root.Get("DST.status_dttm"), Condition: d.Root.Get("DST.condition_cd").V,
		Observations: count(d.Root.Get("DST.new_observations_qty").V, 1<<30),
		Events:       count(d.Root.Get("DST.new_events_qty").V, 1<<30),
		Updated:      map[string]Value{},
	}
	d.Root.walk(func(e *Element) bool {
		if strings.HasPrefix(e.Name, "DST.") && strings.HasSuffix(e.Name, "_update_dttm") {
			s.Updated[e.Name] = e.Value()
		}
		return true
	})
	return s
}

// Reply is an ACK.R01 from a device.
type Reply struct {
	Type  string // AA, AE
	Acked string // HDR.control_id of what it answers
	Error string // error_detail_cd
	Note  string
}

// Positive reports that the device took what it answers.
func (r Reply) Positive() bool { return r.Type == "AA" }

// Reply reads ACK.R01, in the variants that are seen in the field.
func (d *Document) Reply() Reply {
	ack := d.part("ACK")
	return Reply{
		Type:  ack.Get("ACK.type_cd", "ACK.type_id").V,
		Acked: ack.Get("ACK.ack_control_id", "ACK.control_id").V,
		Error: ack.Get("ACK.error_detail_cd").V, Note: ack.Get("ACK.note_txt").V,
	}
}

// EndOfTopic is an EOT.R01.
type EndOfTopic struct{ Topic, Control string }

// EndOfTopic reads EOT.R01.
func (d *Document) EndOfTopic() EndOfTopic {
	return EndOfTopic{Topic: d.Root.Get("EOT.topic_cd").V, Control: d.Root.Get("EOT.eot_control_id", "EOT.control_id").V}
}

// Escape is an ESC.R01: a refusal of a message.
type Escape struct{ Control, Detail, Note string }

// Escape reads ESC.R01.
func (d *Document) Escape() Escape {
	return Escape{
		Control: d.Root.Get("ESC.esc_control_id", "ESC.control_id").V,
		Detail:  d.Root.Get("ESC.detail_cd").V, Note: d.Root.Get("ESC.note_txt").V,
	}
}

// Termination is an END.R01.
type Termination struct{ Reason, Note string }

// Termination reads END.R01.
func (d *Document) Termination() Termination {
	return Termination{Reason: d.Root.Get("TRM.reason_cd").V, Note: d.Root.Get("TRM.note_txt").V}
}

// Request is a REQ.R01: what is asked for.
type Request struct{ Code string }

// Request reads REQ.R01.
func (d *Document) Request() Request { return Request{Code: d.Root.Get("REQ.request_cd").V} }

// Service is one SVC of an OBS.R01 or OBS.R02: what was measured at one time
// on one patient or one control.
type Service struct {
	*Element // the SVC; its OBS, OPR, RGT and so on by Get and All

	Role     string // role_cd
	At       Value  // observation_dttm
	Status   string // status_cd
	Reason   string // reason_cd: NEW, RES, EDI
	Sequence string // sequence_nbr
	Patient  *Element
	Control  *Element   // CTC
	Results  []*Element // OBS
}

// Services reads OBS.R01 and OBS.R02.
func (d *Document) Services() []Service {
	var out []Service
	for _, e := range d.Root.All("SVC") {
		out = append(out, Service{
			Element: e, Role: e.Get("SVC.role_cd").V, At: e.Get("SVC.observation_dttm"), Status: e.Get("SVC.status_cd").V,
			Reason: e.Get("SVC.reason_cd").V, Sequence: e.Get("SVC.sequence_nbr").V,
			Patient: e.Find("PT"), Control: e.Find("CTC"), Results: e.All("OBS"),
		})
	}
	return out
}

// Events lists the EVT of an EVS.R01.
func (d *Document) Events() []Event {
	var out []Event
	for _, e := range d.Root.All("EVT") {
		out = append(out, Event{
			Element: e, Description: e.Get("EVT.description").V, At: e.Get("EVT.event_dttm"), Severity: e.Get("EVT.severity_cd").V,
		})
	}
	return out
}

// Event is one EVT: something that happened at the device.
type Event struct {
	*Element
	Description string
	At          Value
	Severity    string // N normal, W warning, C critical
}
