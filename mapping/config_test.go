package mapping

import (
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestFieldsAsTextOrMap(t *testing.T) {
	in := `
id: x
control: {when: {Type: [QC, 1], Run: 007}, lot: CtrlLot}
fields:
  meter: OBX-18.1
  patient: {at: PID-3, type: MR, authority: MILLRACE}
  strip_lot: {at: OBX-5, where: {OBX-3.1: STRIPLOT}}
results:
  - {analyte: inr, unit: "{INR}", units: {"": "{INR}", "{INR}": "{INR}"}}
`
	var c ProfileConfig
	require.NoError(t, yaml.UnmarshalWithOptions([]byte(in), &c, yaml.Strict()))
	assert.Equal(t, FieldConfig{At: "OBX-18.1"}, c.Fields.Meter)
	assert.Equal(t, FieldConfig{At: "PID-3", Type: "MR", Authority: "MILLRACE"}, c.Fields.Patient)
	assert.Equal(t, map[string]Values{"OBX-3.1": {"STRIPLOT"}}, c.Fields.StripLot.Where)
	assert.Equal(t, map[string]Values{"Type": {"QC", "1"}, "Run": {"007"}}, c.Control.When)
	assert.Equal(t, "{INR}", c.Results[0].Unit.At)
	assert.Equal(t, map[string]string{"": "{INR}", "{INR}": "{INR}"}, c.Results[0].Units)
	assert.False(t, c.Fields.Visit.set())

	err := yaml.UnmarshalWithOptions([]byte("fields:\n  meter: {at: X, wher: {}}"), &c, yaml.Strict())
	require.Error(t, err)
	assert.Contains(t, err.Error(), "wher")
	assert.Contains(t, err.Error(), "[2:18]", "with its place")
	err = yaml.UnmarshalWithOptions([]byte("match:\n  MSH-3: [A, [B]]"), &c, yaml.Strict())
	require.Error(t, err)
	assert.Contains(t, err.Error(), "[2:14]")
}
