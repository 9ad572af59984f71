package hl7_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/wire/hl7"
)

func values(list []hl7.Observation) []string {
	var out []string
	for _, o := range list {
		out = append(out, o.Get("OBX-5").Text())
	}
	return out
}

// The group structures ORU_R01 and ORU_R30 of HL7 2.5.1 chapter 7.
func TestOrdersOfR01(t *testing.T) {
	m, err := hl7.Parse(message(t, "oru_r01_groups.hl7"))
	require.NoError(t, err)
	orders, faults := m.Orders()
	require.Empty(t, faults)
	require.Len(t, orders, 3)
	one, two, three := orders[0], orders[1], orders[2]

	assert.Equal(t, []string{"2.4", "28.1"}, values(one.Observations), "the specimen's OBX is no result")
	require.Len(t, one.Specimens, 1)
	assert.Equal(t, []string{"0.8"}, values(one.Specimens[0].Observations))
	assert.Equal(t, "P", one.Get("SPM-11.1").Text())
	assert.Equal(t, "", one.Get("OBX[3]-5").Text())
	assert.Equal(t, "0.8", one.Specimens[0].Get("OBX-5").Text())
	assert.Equal(t, "L2403A", one.Get("ZST-2").Text())
	assert.Equal(t, "L2403A", one.Observations[0].Get("ZST-2").Text())

	assert.Equal(t, "about the order", one.Get("NTE-3").Text())
	require.Len(t, one.Observations[0].Notes, 2)
	assert.Equal(t, "about the first result", one.Observations[0].Get("NTE-3").Text())
	assert.Equal(t, "and more of it", one.Observations[0].Get("NTE[2]-3").Text())
	assert.True(t, one.Observations[1].Get("NTE-3").Absent())
	assert.Equal(t, "28.1", one.Observations[0].Get("OBX[2]-5").Text(), "a number looks beyond this result")

	assert.Equal(t, "P1", one.ORC.Field(2).Text())
	assert.Equal(t, "O", one.PV1.Field(2).Text())
	assert.Equal(t, "A1", one.Get("PID-3(1).1").Text())
	assert.Equal(t, "99", one.Get("PID-3(2).1").Text())
	assert.Equal(t, "QUILL3", one.Observations[1].Get("MSH-3").Text())

	assert.Equal(t, "F2", two.Get("OBR-3").Text())
	assert.Equal(t, "A1", two.Get("PID-3.1").Text(), "the same patient's second order")
	assert.False(t, two.ORC.Exists())
	assert.Equal(t, []string{"2.6"}, values(two.Observations))
	assert.Empty(t, two.Specimens)
	assert.True(t, two.Get("ZST-2").Absent())

	assert.Equal(t, "B2", three.Get("PID-3.1").Text())
	assert.False(t, three.PV1.Exists(), "the other patient's visit is not this one's")
	assert.Equal(t, "Q", three.Get("SPM-11.1").Text())
	assert.Equal(t, "2", three.Get("SPM-14").Text())
	assert.Equal(t, "QC77", three.Specimens[0].Get("SPM-2.1").Text())
	assert.Equal(t, 3, three.Position)
}

func TestOrdersOfR30(t *testing.T) {
	m, err := hl7.Parse(message(t, "oru_r30.hl7"))
	require.NoError(t, err)
	orders, faults := m.Orders()
	require.Empty(t, faults)
	require.Len(t, orders, 1)
	o := orders[0]
	assert.Equal(t, []string{"2.4", ">^120"}, values(o.Observations))
	assert.Equal(t, "strip lot L2403A exp 20250331", o.Observations[0].Get("NTE-3").Text())
	assert.Equal(t, "NW", o.ORC.Field(1).Text())
	sn, err := o.Observations[1].Get("OBX-5").SN()
	require.NoError(t, err)
	assert.Equal(t, hl7.SN{Comparator: ">", Num1: "120"}, sn)
}

func TestOrdersOutOfOrder(t *testing.T) {
	for _, c := range []struct {
		name, body string
		orders     int
		faults     []string // segments
		obx        []string // of the first order
	}{
		{"no order at all", "PID|1\r", 0, []string{"OBR"}, nil},
		{"no patient: a control run", "OBR|1\rOBX|1|NM|A||1\r", 1, nil, []string{"1"}},
		{"OBX without OBR", "PID|1\rOBX|1|NM|A||1\r", 1, []string{"OBX"}, []string{"1"}},
		{"ORC without OBR", "PID|1\rORC|RE\rOBX|1|NM|A||1\r", 1, []string{"OBX"}, []string{"1"}},
		{"it goes on in another message", "OBR|1\rOBX|1|NM|A||1\rDSC|7|F\r", 1, []string{"DSC"}, []string{"1"}},
		{"it does not", "OBR|1\rOBX|1|NM|A||1\rDSC|\r", 1, nil, []string{"1"}},
		{"ORC, ORC, OBR", "ORC|RE\rORC|RE\rOBR|1\rOBX|1|NM|A||1\r", 2, nil, nil},
		{"SPM before the results: they describe the specimen", "OBR|1\rSPM|1\rOBX|1|NM|A||1\r", 1, nil, nil},
		{"a note of the specimen is not the order's", "OBR|1\rOBX|1|NM|A||1\rSPM|1\rNTE|1||x\r", 1, nil, []string{"1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			orders, faults := parse(t, head+c.body).Orders()
			assert.Len(t, orders, c.orders)
			var at []string
			for _, f := range faults {
				assert.Equal(t, hl7.CodeSequence, f.Code)
				at = append(at, f.Segment)
			}
			assert.Equal(t, c.faults, at)
			if c.orders > 0 {
				assert.Equal(t, c.obx, values(orders[0].Observations))
				assert.Empty(t, orders[0].Notes)
			}
		})
	}
}
