package mapping

import (
	"strings"
	"testing"

	"tidegate/poct"
)

// BenchmarkDecodeFormats reads one whole message of each format.
func BenchmarkDecodeFormats(b *testing.B) {
	table := reedHeader + "\r\n" + strings.Repeat("R2;12;05.03.2026 09:12;118;MRN0007;L77;PAT;;;2,40\r\n", 10)
	for _, x := range []struct {
		name string
		p    *Profile
		raw  string
	}{{"hl7v2", quill, worked}, {"csv, ten records", reed, table}, {"json, three records", compiled(jsonConfig()), jsonFile}, {"xml, two records", compiled(xmlConfig()), xmlFile}} {
		b.Run(x.name, func(b *testing.B) {
			a := poct.Arrival{ID: "a", Format: x.p.format, Raw: []byte(x.raw)}
			profiles := []*Profile{x.p}
			b.ReportAllocs()
			for b.Loop() {
				if got := Decode(a, profiles, dublin); got[0].Reading.Kind != poct.KindPatient {
					b.Fatal(got[0])
				}
			}
		})
	}
}
