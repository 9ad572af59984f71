package poct1a_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/poct1a"
)

func TestHello(t *testing.T) {
	d := parse(t, string(sample(t, "hello")))
	assert.Equal(t, poct1a.HelloMessage, d.Type())
	h := d.Hello()
	assert.Equal(t, "SD-0042", h.Serial())
	assert.Equal(t, "SEDGE5", h.ModelID)
	assert.Equal(t, 30*time.Second, h.Timeout)
	assert.Equal(t, "CS", h.Profile)
	assert.Equal(t, []string{"OP_LST", "OP_LST_I", "PT_LST", "D_EV"}, h.Topics)
	assert.Equal(t, []string{"START_CONTINUOUS", "SET_TIME", "LOCK"}, h.Directives)
	assert.Equal(t, 4096, h.MaxMessage)
	assert.Equal(t, "1", d.Header().ControlID)
	bare := parse(t, `<HEL.R01><DEV><DEV.device_id V="02-2A"/></DEV><DCP><DCP.application_timeout V="soon"/></DCP></HEL.R01>`).Hello()
	assert.Equal(t, "02-2A", bare.Serial())
	assert.Zero(t, bare.Timeout)
	assert.Zero(t, bare.MaxMessage)
}

// Variants that are seen in public software: acknowledgements with other
// names, a status without the number of events, no message type.
func TestVariants(t *testing.T) {
	for _, raw := range []string{
		`<ACK.R01><HDR><HDR.control_id V="9"/></HDR><ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="41"/></ACK></ACK.R01>`,
		`<ACK.R01><HDR><HDR.control_id V="9"/></HDR><ACK><ACK.type_id V="AA"/><ACK.control_id V="41"/></ACK></ACK.R01>`,
	} {
		r := parse(t, raw).Reply()
		assert.True(t, r.Positive())
		assert.Equal(t, "41", r.Acked)
	}
	s := parse(t, `<DST.R01><DST><DST.new_observations_qty V="3"/><DST.condition_cd V="R"/><DST.operators_update_dttm V="2026-03-05T09:00:00Z"/></DST></DST.R01>`).Status()
	assert.Equal(t, 3, s.Observations)
	assert.Equal(t, -1, s.Events)
	assert.Equal(t, "R", s.Condition)
	assert.Equal(t, "2026-03-05T09:00:00Z", s.Updated["DST.operators_update_dttm"].V)
	assert.Equal(t, "", parse(t, `<KPA.R01><HDR><HDR.control_id V="1"/></HDR></KPA.R01>`).Header().MessageType)
	assert.Equal(t, poct1a.EndOfTopic{Topic: "OBS", Control: "5"}, parse(t, `<EOT.R01><EOT><EOT.topic_cd V="OBS"/><EOT.eot_control_id V="5"/></EOT></EOT.R01>`).EndOfTopic())
	assert.Equal(t, poct1a.Escape{Control: "5", Detail: "OTH", Note: "no"}, parse(t, `<ESC.R01><ESC><ESC.esc_control_id V="5"/><ESC.detail_cd V="OTH"/><ESC.note_txt V="no"/></ESC></ESC.R01>`).Escape())
	assert.Equal(t, poct1a.Termination{Reason: "NRM"}, parse(t, `<END.R01><TRM><TRM.reason_cd V="NRM"/></TRM></END.R01>`).Termination())
	assert.Equal(t, "ROBS", parse(t, `<REQ.R01><REQ><REQ.request_cd V="ROBS"/></REQ></REQ.R01>`).Request().Code)
	// A control id deep in a result is not the message's.
	assert.Equal(t, "", parse(t, `<OBS.R01><HDR/><SVC><HDR.control_id V="7"/></SVC></OBS.R01>`).Header().ControlID)
}

func TestServices(t *testing.T) {
	v := parse(t, string(sample(t, "patient"))).Services()
	require.Len(t, v, 1)
	assert.Equal(t, "OBS", v[0].Role)
	assert.Equal(t, "NEW", v[0].Reason)
	assert.NotNil(t, v[0].Patient)
	assert.Nil(t, v[0].Control)
	require.Len(t, v[0].Results, 1)
	assert.Equal(t, "2.4", v[0].Results[0].Get("OBS.value").V)
	c := parse(t, string(sample(t, "control"))).Services()[0]
	assert.Equal(t, "LQC", c.Role)
	assert.Equal(t, "QC77", c.Control.Get("CTC.lot_number").V)
	limits, err := poct1a.ParseInterval(c.Get("OBS.normal_lo-hi_limit").V)
	require.NoError(t, err)
	assert.Equal(t, poct1a.Interval{Low: "0.9", High: "1.3"}, limits)
	e := parse(t, string(sample(t, "events"))).Events()
	require.Len(t, e, 1)
	assert.Equal(t, "W", e[0].Severity)
}

func TestStored(t *testing.T) {
	for typ, want := range map[poct1a.Type]bool{
		"OBS.R01": true, "OBS.R02": true, "EVS.R01": true, "OBS.R09": true, "VND.R01": true, "": true,
		"HEL.R01": false, "DST.R01": false, "EOT.R01": false, "ACK.R01": false, "KPA.R01": false, "ESC.R01": false, "END.R01": false,
		"REQ.R01": false, "DTV.R02": false, "OPL.R01": false, "PTL.R02": false,
	} {
		assert.Equal(t, want, typ.Stored(), string(typ))
	}
}

func TestRender(t *testing.T) {
	head := poct1a.Head{ControlID: "7", Created: time.Date(2026, 3, 5, 9, 13, 30, 0, time.FixedZone("", 3600))}
	hdr := func(typ string) string {
		return `<HDR><HDR.message_type V="` + typ + `"/><HDR.control_id V="7"/><HDR.version_id V="POCT1"/><HDR.creation_dttm V="2026-03-05T09:13:30+01:00"/></HDR>`
	}
	ops := poct1a.NewList([]poct1a.Operator{{ID: "op 2", Name: `B "<&>' C`}, {ID: "op 1", Method: "PW", Permission: "1"}, {ID: "op 2"}, {}})
	pats := poct1a.NewList([]poct1a.Patient{{ID: "MRN7", Family: "Lamp", Given: "Ada", BirthDate: "1950-01-01", Sex: "F", Location: "A\t1"}})
	for _, tt := range []struct {
		message poct1a.Outgoing
		want    string
	}{
		{poct1a.Ack{Positive: true, Control: "41"}, "<ACK.R01>" + hdr("ACK.R01") + `<ACK><ACK.type_cd V="AA"/><ACK.ack_control_id V="41"/></ACK></ACK.R01>`},
		{poct1a.Ack{Note: "later"}, "<ACK.R01>" + hdr("ACK.R01") + `<ACK><ACK.type_cd V="AE"/><ACK.note_txt V="later"/></ACK></ACK.R01>`},
		{poct1a.Ask{Code: "ROBS"}, "<REQ.R01>" + hdr("REQ.R01") + `<REQ><REQ.request_cd V="ROBS"/></REQ></REQ.R01>`},
		{poct1a.Directive{Command: "LOCK"}, "<DTV.R01>" + hdr("DTV.R01") + `<DTV><DTV.command_cd V="LOCK"/></DTV></DTV.R01>`},
		{poct1a.Directive{Command: "SET_TIME", Clock: true}, "<DTV.R02>" + hdr("DTV.R02") + `<DTV><DTV.command_cd V="SET_TIME"/><TM><TM.dttm V="2026-03-05T09:13:30+01:00"/></TM></DTV></DTV.R02>`},
		{poct1a.Finish{Topic: "OPL"}, "<EOT.R01>" + hdr("EOT.R01") + `<EOT><EOT.topic_cd V="OPL"/></EOT></EOT.R01>`},
		{poct1a.Goodbye{Reason: "NRM"}, "<END.R01>" + hdr("END.R01") + `<TRM><TRM.reason_cd V="NRM"/></TRM></END.R01>`},
		{poct1a.Refusal{Control: "5", Detail: "OTH"}, "<ESC.R01>" + hdr("ESC.R01") + `<ESC><ESC.esc_control_id V="5"/><ESC.detail_cd V="OTH"/></ESC></ESC.R01>`},
		{ops.Full(0)[0], "<OPL.R01>" + hdr("OPL.R01") + `<OPR><OPR.operator_id V="op 1"/></OPR><ACC><ACC.method_cd V="PW"/><ACC.permission_level_cd V="1"/></ACC>` +
			`<OPR><OPR.operator_id V="op 2"/><OPR.name V="B &quot;&lt;&amp;&gt;&apos; C"/></OPR></OPL.R01>`},
		{pats.Full(0)[0], "<PTL.R01>" + hdr("PTL.R01") + `<PT><PT.patient_id V="MRN7"/><PT.location V="A&#9;1"/><PT.name V="Ada Lamp"><FAM V="Lamp"/><GIV V="Ada"/></PT.name>` +
			`<PT.birth_date V="1950-01-01"/><PT.gender_cd V="F"/></PT></PTL.R01>`},
		{pats.Changes(poct1a.NewList[poct1a.Patient](nil), 0, "I", "D")[0], "<PTL.R02>" + hdr("PTL.R02") + `<UPD><UPD.action_cd V="I"/><PT><PT.patient_id V="MRN7"/><PT.location V="A&#9;1"/>` +
			`<PT.name V="Ada Lamp"><FAM V="Lamp"/><GIV V="Ada"/></PT.name><PT.birth_date V="1950-01-01"/><PT.gender_cd V="F"/></PT></UPD></PTL.R02>`},
	} {
		got := poct1a.Render(head, tt.message)
		assert.Equal(t, tt.want, string(got))
		_, err := leaves(got) // Go's own reader judges what we write
		require.NoError(t, err)
	}
}
