package standin

import (
	"bufio"
	"bytes"
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"strings"
	"time"
)

// poctSpeaker is a meter that speaks POCT1-A2. It connects, says hello and how
// it stands, and then does what it is told: it hands over what it is asked
// for, takes lists, sets its clock. Where the host starts the continuous mode,
// it keeps the connection and sends what comes; else each message has a
// conversation of its own.
//
//	HEL ─► ACK, DST ─► ACK, REQ ─► OBS or EVS ─► ACK (AA or AE) ... EOT ─► ACK
//	lists and directives ◄─► ACK, END ◄─► ACK
type poctSpeaker struct {
	line   line
	read   *bufio.Reader
	serial string
	model  string        // as DEV.model_id has it
	clock  time.Duration // how far its clock is off; the host may set it
	now    func() time.Time

	operators, patients map[string]bool // the lists that it was sent
	loading             bool            // a list is under way
	locked              bool
	continuous          bool
	control             int // counts its own messages
}

func newPOCTSpeaker(addr, serial, model string) *poctSpeaker {
	return &poctSpeaker{line: line{addr: addr}, serial: serial, model: model, now: time.Now}
}

func (s *poctSpeaker) close() {
	s.line.close()
	s.continuous = false
}

// poctTime is a TS in the form of ISO 8601.
func poctTime(t time.Time) string { return t.Format("2006-01-02T15:04:05-07:00") }

// id of the meter's next message; no two of its conversations share one.
func (s *poctSpeaker) id() string {
	s.control++
	return fmt.Sprintf("c%d", s.control)
}

func (s *poctSpeaker) message(kind, body string) []byte {
	return fmt.Appendf(nil, `<%s><HDR><HDR.message_type V="%s"/><HDR.control_id V="%s"/><HDR.version_id V="POCT1"/><HDR.creation_dttm V="%s"/></HDR>%s</%s>`,
		kind, kind, s.id(), poctTime(s.now().Add(s.clock)), body, kind)
}

func (s *poctSpeaker) write(b []byte) error {
	_, err := s.line.Write(b)
	return err
}

// say implements speaker: the message is an OBS.R01, OBS.R02 or EVS.R01, which
// may have the hello to use before it. The answer is the type of the ACK, AA or
// AE, or ESC.
func (s *poctSpeaker) say(ctx context.Context, message []byte, how trick) (answer string, err error) {
	hello := s.hello()
	if at := bytes.Index(message, []byte("</HEL.R01>")); at >= 0 {
		at += len("</HEL.R01>")
		hello, message = message[:at], message[at:]
	}
	opened, err := s.line.open(ctx)
	if err != nil {
		return "", err
	}
	if opened {
		s.read = bufio.NewReader(s.line)
		answer, err = s.begin(ctx, hello, message, how)
	} else {
		answer, err = s.hand(ctx, message, how)
	}
	if err != nil || !s.continuous {
		s.close()
	}
	return answer, err
}

// hello says who is there and what it can do.
func (s *poctSpeaker) hello() []byte {
	return s.message("HEL.R01", fmt.Sprintf(`<DEV><DEV.device_id V="%s"/><DEV.vendor_id V="MILL"/><DEV.model_id V="%s"/><DEV.serial_id V="%s"/>`+
		`<DEV.manufacturer_name V="Invented"/><DEV.hw_version V="1"/><DEV.sw_version V="1.4"/><DEV.device_name V="%s"/><DCP><DCP.application_timeout V="60"/></DCP>`+
		`<DSC><DSC.connection_profile_cd V="CS"/><DSC.topics_supported_cd V="OP_LST"/><DSC.topics_supported_cd V="OP_LST_I"/><DSC.topics_supported_cd V="PT_LST"/>`+
		`<DSC.topics_supported_cd V="PT_LST_I"/><DSC.topics_supported_cd V="D_EV"/><DSC.directives_supported_cd V="START_CONTINUOUS"/>`+
		`<DSC.directives_supported_cd V="SET_TIME"/><DSC.directives_supported_cd V="LOCK"/><DSC.directives_supported_cd V="UNLOCK"/>`+
		`<DSC.max_message_sz V="4096"/></DSC></DEV>`, s.serial, s.model, s.serial, s.model))
}

func (s *poctSpeaker) status(results, events int) []byte {
	return s.message("DST.R01", fmt.Sprintf(`<DST><DST.status_dttm V="%s"/><DST.new_observations_qty V="%d"/><DST.new_events_qty V="%d"/><DST.condition_cd V="R"/></DST>`,
		poctTime(s.now().Add(s.clock)), results, events))
}

// begin is a conversation from hello to its end, or to the continuous mode.
func (s *poctSpeaker) begin(ctx context.Context, hello, message []byte, how trick) (answer string, err error) {
	results, events, topic := 1, 0, "ROBS"
	if rootOf(message) == "EVS.R01" {
		results, events, topic = 0, 1, "RDEV"
	}
	if err := s.write(hello); err != nil {
		return "", err
	}
	if _, err := s.next(); err != nil { // the ACK to the hello
		return "", err
	}
	if err := s.write(s.status(results, events)); err != nil {
		return "", err
	}
	for {
		d, err := s.next()
		if err != nil {
			return answer, err
		}
		if d.root == "REQ.R01" && d.values["REQ.request_cd"] == topic && answer == "" {
			if answer, err = s.hand(ctx, message, how); err != nil {
				return answer, err
			}
		}
		if d.root == "REQ.R01" {
			if err := s.write(s.message("EOT.R01", `<EOT><EOT.topic_cd V="`+topic+`"/></EOT>`)); err != nil {
				return answer, err
			}
			continue
		}
		over, err := s.obey(d)
		switch {
		case err != nil:
			return answer, err
		case s.continuous && answer == "":
			return s.hand(ctx, message, how)
		case s.continuous:
			return answer, nil
		case over && answer == "":
			return "", errors.New("standin: the host ended the conversation without asking for what the meter has")
		case over:
			return answer, nil
		}
	}
}

// greet is a conversation of a meter that has nothing new, up to the continuous
// mode.
func (s *poctSpeaker) greet(ctx context.Context) error {
	if _, err := s.line.open(ctx); err != nil {
		return err
	}
	s.read = bufio.NewReader(s.line)
	if err := s.write(append(s.hello(), s.status(0, 0)...)); err != nil {
		return err
	}
	for !s.continuous {
		d, err := s.next()
		if err != nil {
			return err
		}
		if over, err := s.obey(d); over || err != nil {
			return errors.Join(errors.New("standin: the host did not start the continuous mode"), err)
		}
	}
	return nil
}

// hand sends the message and waits for its answer.
func (s *poctSpeaker) hand(ctx context.Context, message []byte, how trick) (answer string, err error) {
	switch how {
	case half:
		_ = s.write(message[:len(message)/2])
		return "", errLineLost
	case deaf:
		_ = s.write(message)
		return "", errLineLost
	case slowly:
		err = trickle(ctx, s.line, message)
	default:
		err = s.write(message)
	}
	if err != nil {
		return "", err
	}
	control := controlOf(message)
	for {
		d, err := s.next()
		if err != nil {
			return "", err
		}
		switch {
		case d.root == "ACK.R01" && d.values["ACK.ack_control_id"] == control:
			return d.values["ACK.type_cd"], nil
		case d.root == "ESC.R01" && d.values["ESC.esc_control_id"] == control:
			return "ESC", nil
		}
		if over, err := s.obey(d); err != nil || over {
			return "", errors.Join(errLineLost, err)
		}
	}
}

// obey does what the host says and acknowledges it.
func (s *poctSpeaker) obey(d poctDocument) (over bool, err error) {
	switch d.root {
	case "DTV.R01", "DTV.R02":
		switch d.values["DTV.command_cd"] {
		case "START_CONTINUOUS":
			s.continuous = true
		case "SET_TIME":
			if t, err := time.Parse("2006-01-02T15:04:05-07:00", d.values["TM.dttm"]); err == nil {
				s.clock = t.Sub(s.now()).Round(time.Second)
			}
		case "LOCK":
			s.locked = true
		case "UNLOCK":
			s.locked = false
		}
	case "OPL.R01", "OPL.R02":
		s.operators = s.listed(d, s.operators, "OPR.operator_id")
	case "PTL.R01", "PTL.R02":
		s.patients = s.listed(d, s.patients, "PT.patient_id")
	case "END.R01":
		over = true
	case "EOT.R01":
		s.loading = false
		return false, nil
	default: // an ACK: needs no answer
		return false, nil
	}
	return over, s.write(s.message("ACK.R01", `<ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="`+d.values["HDR.control_id"]+`"/></ACK>`))
}

// poctDocument is one message of the host.
type poctDocument struct {
	root   string
	values map[string]string // the first V attribute of each element name
	rows   []poctValue       // all of them in order
}

type poctValue struct{ name, v string }

// listed is the meter's list after part of a whole one (R01, all parts up to
// EOT) or of changes (R02), which say before each entry whether it is new or to
// be removed.
func (s *poctSpeaker) listed(d poctDocument, list map[string]bool, name string) map[string]bool {
	if list == nil || !s.loading && strings.HasSuffix(d.root, ".R01") {
		list = map[string]bool{}
	}
	s.loading = true
	action := "I"
	for _, r := range d.rows {
		switch {
		case r.name == "UPD.action_cd":
			action = r.v
		case r.name == name && action == "D":
			delete(list, r.v)
		case r.name == name:
			list[r.v] = true
		}
	}
	return list
}

// next reads the host's next document. Documents come one after another
// without anything between that says where one ends.
func (s *poctSpeaker) next() (poctDocument, error) {
	d := poctDocument{values: map[string]string{}}
	if err := s.line.SetDeadline(deadline(context.Background())); err != nil {
		return d, err
	}
	parse := xml.NewDecoder(s.read) // reads byte by byte from a ByteReader: no more than the document
	for depth := 0; ; {
		t, err := parse.Token()
		if err != nil {
			return d, err
		}
		switch t := t.(type) {
		case xml.StartElement:
			if depth++; depth == 1 {
				d.root = t.Name.Local
			}
			for _, a := range t.Attr {
				if a.Name.Local != "V" {
					continue
				}
				d.rows = append(d.rows, poctValue{t.Name.Local, a.Value})
				if _, ok := d.values[t.Name.Local]; !ok {
					d.values[t.Name.Local] = a.Value
				}
			}
		case xml.EndElement:
			if depth--; depth == 0 {
				return d, nil
			}
		}
	}
}

// rootOf and controlOf read what a meter knows of its own message.
func rootOf(message []byte) string {
	name, _, _ := strings.Cut(strings.TrimPrefix(string(message), "<"), ">")
	return name
}

func controlOf(message []byte) string {
	_, rest, _ := bytes.Cut(message, []byte(`<HDR.control_id V="`))
	id, _, _ := bytes.Cut(rest, []byte(`"`))
	return string(id)
}
