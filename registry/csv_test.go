package registry_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"tidegate/poct"
	"tidegate/registry"
)

func read(t *testing.T, kind poct.RegistryKind, text string) (poct.RegistryRows, []registry.Refused) {
	t.Helper()
	rows, refused, err := registry.ReadCSV(kind, strings.NewReader(text))
	require.NoError(t, err)
	return rows, refused
}

func TestReadCSVOfEachKind(t *testing.T) {
	for _, tt := range []struct {
		kind poct.RegistryKind
		text string
		want poct.RegistryRows
	}{
		{
			poct.Sites, "site,name,time_zone,qc_interval\nmillrace,Millrace Surgery,Europe/Berlin,8h\nsaltmarsh,\"Saltmarsh, East\",Europe/London,\n",
			poct.RegistryRows{Sites: []poct.Site{
				{ID: "millrace", Name: "Millrace Surgery", TimeZone: "Europe/Berlin", QCInterval: 8 * time.Hour},
				{ID: "saltmarsh", Name: "Saltmarsh, East", TimeZone: "Europe/London"},
			}},
		},
		{
			poct.Meters, "serial;model;site;state\r\nQ3-1;Quill 3;millrace;in use\r\nQ3-2;Quill 3;millrace;\r\nQ3-3;Quill 3;millrace;Withdrawn\r\n",
			poct.RegistryRows{Meters: []poct.Meter{
				{Serial: "Q3-1", Model: "Quill 3", Site: "millrace", State: "in-use"},
				{Serial: "Q3-2", Model: "Quill 3", Site: "millrace", State: "in-use"},
				{Serial: "Q3-3", Model: "Quill 3", Site: "millrace", State: "withdrawn"},
			}},
		},
		{
			poct.Operators, "\ufeffoperator,name,sites,certified_until\n118,R. Ito,*,2025-01-31\n007,K. Osei,millrace;saltmarsh,\n",
			poct.RegistryRows{Operators: []poct.Operator{
				{ID: "118", Name: "R. Ito", Sites: []string{"*"}, CertifiedUntil: "2025-01-31"},
				{ID: "007", Name: "K. Osei", Sites: []string{"millrace", "saltmarsh"}},
			}},
		},
		{
			poct.StripLots, "mnpt,isi,lot,model,expires,recalled\n12.0,1.02,7K40231,Quill 3,2025-03-31,no\n,,7K40232,Quill 3,,true\n",
			poct.RegistryRows{StripLots: []poct.StripLot{
				{Lot: "7K40231", Model: "Quill 3", Expires: "2025-03-31", ISI: poct.MustNumber("1.02"), MNPT: poct.MustNumber("12.0")},
				{Lot: "7K40232", Model: "Quill 3", Recalled: true},
			}},
		},
		{
			poct.ControlLots, "control_lot,level,strip_lot,low,high,expires\nQC77,1,,0.9,1.3,2024-12-31\nQC77,2,7K40231,2.1,2.1,\n",
			poct.RegistryRows{ControlLots: []poct.ControlLot{
				{Lot: "QC77", Level: "1", Low: poct.MustNumber("0.9"), High: poct.MustNumber("1.3"), Expires: "2024-12-31"},
				{Lot: "QC77", Level: "2", StripLot: "7K40231", Low: poct.MustNumber("2.1"), High: poct.MustNumber("2.1")},
			}},
		},
		{
			poct.Operators, "operator,name,sites,certified_until,shared\nward,Ward log-in,millrace,,yes\n",
			poct.RegistryRows{Operators: []poct.Operator{{ID: "ward", Name: "Ward log-in", Sites: []string{"millrace"}, Shared: true}}},
		},
		{
			poct.ControlLots, "control_lot,level,strip_lot,low,high,expires,mean,sd,range_sds\nQC77,1,,0.9,1.3,,1.1,0.08,\nQC77,2,,2.1,3.1,,,,2\n",
			poct.RegistryRows{ControlLots: []poct.ControlLot{
				{Lot: "QC77", Level: "1", Low: poct.MustNumber("0.9"), High: poct.MustNumber("1.3"), Mean: poct.MustNumber("1.1"), SD: poct.MustNumber("0.08")},
				{Lot: "QC77", Level: "2", Low: poct.MustNumber("2.1"), High: poct.MustNumber("3.1"), RangeSDs: poct.MustNumber("2")},
			}},
		},
		{
			poct.Shipments, "shipment,strip_lot,site,arrived,use_by\nS-1,7K40231,millrace,2024-02-01,2024-08-31\nS-2,7K40231,millrace,2024-03-01T10:30:00+01:00,\n",
			poct.RegistryRows{Shipments: []poct.Shipment{
				{ID: "S-1", StripLot: "7K40231", Site: "millrace", Arrived: "2024-02-01", UseBy: "2024-08-31"},
				{ID: "S-2", StripLot: "7K40231", Site: "millrace", Arrived: "2024-03-01T10:30:00+01:00"},
			}},
		},
		{
			poct.Acceptances, "strip_lot,site,shipment,decision,isi,mnpt,read_back_by,by,at,reason,controls,pairs,evidence\n" +
				"7K40231,millrace,S-1,Accepted,1.00,12.0,k.osei,r.ito,2024-02-01T09:00:00Z,,c-1;c-2,5,mean difference 2 %\n7K40231,saltmarsh,,refused,,,,r.ito,2024-02-02T09:00:00Z,controls out,,,\n",
			poct.RegistryRows{Acceptances: []poct.Acceptance{
				{StripLot: "7K40231", Site: "millrace", Shipment: "S-1", Decision: "accepted", ISI: poct.MustNumber("1.00"), MNPT: poct.MustNumber("12.0"),
					ReadBackBy: "k.osei", By: "r.ito", At: time.Date(2024, 2, 1, 9, 0, 0, 0, time.UTC), Controls: []string{"c-1", "c-2"}, Pairs: 5, Evidence: "mean difference 2 %"},
				{StripLot: "7K40231", Site: "saltmarsh", Decision: "refused", By: "r.ito", At: time.Date(2024, 2, 2, 9, 0, 0, 0, time.UTC), Reason: "controls out"},
			}},
		},
		{
			poct.FindingRows, "authority,patient,finding,value,unit,at,until\nMILLRACE,0007,Haematocrit,58,%,2024-03-04T08:00:00Z,\nMILLRACE,0007,heparin,,,2024-03-04T08:00:00Z,2024-03-05T08:00:00Z\n",
			poct.RegistryRows{Findings: []poct.Finding{
				{Authority: "MILLRACE", Patient: "0007", Finding: "haematocrit", Value: poct.MustNumber("58"), Unit: "%", At: "2024-03-04T08:00:00Z"},
				{Authority: "MILLRACE", Patient: "0007", Finding: "heparin", At: "2024-03-04T08:00:00Z", Until: "2024-03-05T08:00:00Z"},
			}},
		},
		{
			poct.Patients, "authority,id,family,given,birth_date,sex,merged_to\nMILLRACE,0007,Testperson,Ada,1950-01-01,F,\nMILLRACE,0003,,,,,0007\n",
			poct.RegistryRows{Patients: []poct.Patient{
				{Authority: "MILLRACE", ID: "0007", Family: "Testperson", Given: "Ada", BirthDate: "1950-01-01", Sex: "F"},
				{Authority: "MILLRACE", ID: "0003", MergedTo: "0007"},
			}},
		},
		{
			poct.Visits, "visit,authority,patient,site,start,end\nV1,MILLRACE,0007,millrace,2024-03-05T08:00:00Z,\nV2,MILLRACE,0007,millrace,2024-03-04T08:00:00Z,2024-03-04T09:00:00Z\n",
			poct.RegistryRows{Visits: []poct.Visit{
				{ID: "V1", Authority: "MILLRACE", Patient: "0007", Site: "millrace", Start: time.Date(2024, 3, 5, 8, 0, 0, 0, time.UTC)},
				{ID: "V2", Authority: "MILLRACE", Patient: "0007", Site: "millrace", Start: time.Date(2024, 3, 4, 8, 0, 0, 0, time.UTC), End: time.Date(2024, 3, 4, 9, 0, 0, 0, time.UTC)},
			}},
		},
	} {
		t.Run(string(tt.kind), func(t *testing.T) {
			rows, refused := read(t, tt.kind, tt.text)
			assert.Empty(t, refused)
			assert.Equal(t, tt.want, rows)
		})
	}
}

func TestReadCSVRefusesLinesWithAReason(t *testing.T) {
	const (
		sites    = "site,name,time_zone,qc_interval\n"
		meters   = "serial,model,site,state\n"
		strips   = "lot,model,expires,isi,mnpt,recalled\n"
		controls = "control_lot,level,strip_lot,low,high,expires\n"
		patients = "authority,id,family,given,birth_date,sex\n"
		visits   = "visit,authority,patient,site,start,end\n"
		charted  = "control_lot,level,strip_lot,low,high,expires,mean,sd,range_sds\n"
		shipped  = "shipment,strip_lot,site,arrived,use_by\n"
		accepted = "strip_lot,site,shipment,decision,isi,mnpt,read_back_by,by,at,reason,pairs\n"
		found    = "authority,patient,finding,value,unit,at,until\n"
	)
	for _, tt := range []struct {
		name   string
		kind   poct.RegistryKind
		text   string
		line   int
		column string
		reason string // part of it
		good   int    // rows taken all the same
	}{
		{"no header", poct.Sites, "", 1, "", "there is no header line", 0},
		{"unknown column", poct.Sites, "site,name,time_zone,qc_interval,colour\nmillrace,,Europe/Berlin,,red\n", 1, "colour", "is no column of this table", 0},
		{"column left out", poct.Sites, "site,time_zone,qc_interval\nmillrace,Europe/Berlin,8h\n", 1, "name", "is missing from the header", 0},
		{"column twice", poct.Sites, "site,site,name,time_zone,qc_interval\n", 1, "site", "stands in the header twice", 0},
		{"cells missing", poct.Sites, sites + "millrace,Millrace\nsaltmarsh,,Europe/London,\n", 2, "", "has 2 cells, the header has 4", 1},
		{"required cell empty", poct.Sites, sites + ",Millrace,Europe/Berlin,\n", 2, "site", "is empty", 0},
		{"no such zone", poct.Sites, sites + "millrace,,Berlin,\n", 2, "time_zone", `"Berlin" is no time zone`, 0},
		{"this machine's zone", poct.Sites, sites + "millrace,,Local,\n", 2, "time_zone", "is no time zone", 0},
		{"no interval", poct.Sites, sites + "millrace,,Europe/Berlin,daily\n", 2, "qc_interval", `"daily" is no interval`, 0},
		{"interval below zero", poct.Sites, sites + "millrace,,Europe/Berlin,-8h\n", 2, "qc_interval", "is no interval", 0},
		{"interval of years", poct.Sites, sites + "millrace,,Europe/Berlin,9999h\n", 2, "qc_interval", "is too long", 0},
		{"same row twice", poct.Sites, sites + "millrace,,Europe/Berlin,\nmillrace,,Europe/London,\n", 3, "site", "is the same row as line 2", 1},
		{"unknown state", poct.Meters, meters + "Q3-1,Quill 3,millrace,lost\n", 2, "state", `"lost" is no state`, 0},
		{"no such day", poct.StripLots, strips + "L1,Quill 3,2024-02-30,,,\n", 2, "expires", "is no date", 0},
		{"day first", poct.StripLots, strips + "L1,Quill 3,31.03.2025,,,\n", 2, "expires", "YYYY-MM-DD", 0},
		{"decimal comma", poct.StripLots, strings.ReplaceAll(strips, ",", ";") + "L1;Quill 3;;1,02;;\n", 2, "isi", "has a decimal comma", 0},
		{"exponent", poct.StripLots, strips + "L1,Quill 3,,1e0,,\n", 2, "isi", "is no decimal number", 0},
		{"comparator", poct.StripLots, strips + "L1,Quill 3,,<1,,\n", 2, "isi", "is no decimal number", 0},
		{"zero", poct.StripLots, strips + "L1,Quill 3,,0.00,,\n", 2, "isi", "is not above zero", 0},
		{"neither true nor false", poct.StripLots, strips + "L1,Quill 3,,,,maybe\n", 2, "recalled", "neither true nor false", 0},
		{"range turned round", poct.ControlLots, controls + "QC77,1,,1.3,0.9,\n", 2, "high", "is below low", 0},
		{"level spelt twice", poct.ControlLots, controls + "QC77,L1,,0.9,1.3,\nQC77,l1,,0.9,1.3,\n", 3, "control_lot", "is the same row as line 2", 1},
		{"merged into itself", poct.Patients, "authority,id,family,given,birth_date,sex,merged_to\nM,1,,,,,1\n", 2, "merged_to", "is the line's own id", 0},
		{"no authority", poct.Patients, patients + ",1,,,,\n", 2, "authority", "is empty", 0},
		{"time without offset", poct.Visits, visits + "V,M,1,millrace,2024-03-05T08:00:00,\n", 2, "start", "is no time with offset", 0},
		{"ends before it starts", poct.Visits, visits + "V,M,1,millrace,2024-03-05T08:00:00Z,2024-03-05T07:00:00Z\n", 2, "end", "is before start", 0},
		{"mean without SD", poct.ControlLots, charted + "QC77,1,,0.9,1.3,,1.1,,\n", 2, "sd", "goes with mean", 0},
		{"SD twice over", poct.ControlLots, charted + "QC77,1,,0.9,1.3,,1.1,0.1,2\n", 2, "range_sds", "of no use beside", 0},
		{"SDs of no width", poct.ControlLots, charted + "QC77,1,,1.1,1.1,,,,2\n", 2, "range_sds", "range without width", 0},
		{"arrived some day", poct.Shipments, shipped + "S-1,L1,millrace,yesterday,\n", 2, "arrived", "is no date or time", 0},
		{"arrived without offset", poct.Shipments, shipped + "S-1,L1,millrace,2024-03-01T10:30:00,\n", 2, "arrived", "with offset", 0},
		{"no decision", poct.Acceptances, accepted + "L1,millrace,,maybe,,,k,r,2024-02-01T09:00:00Z,,\n", 2, "decision", "accepted or refused", 0},
		{"nobody read back", poct.Acceptances, accepted + "L1,millrace,,accepted,,,,r,2024-02-01T09:00:00Z,,\n", 2, "read_back_by", "is empty", 0},
		{"read back alone", poct.Acceptances, accepted + "L1,millrace,,accepted,,,R,r,2024-02-01T09:00:00Z,,\n", 2, "read_back_by", "somebody else", 0},
		{"refused without reason", poct.Acceptances, accepted + "L1,millrace,,refused,,,k,r,2024-02-01T09:00:00Z,,\n", 2, "reason", "is empty", 0},
		{"half a pair", poct.Acceptances, accepted + "L1,millrace,,accepted,,,k,r,2024-02-01T09:00:00Z,,2.5\n", 2, "pairs", "no number of things", 0},
		{"finding ends before it starts", poct.FindingRows, found + "M,1,heparin,,,2024-03-05T08:00:00Z,2024-03-04T08:00:00Z\n", 2, "until", "is before at", 0},
		{"open quotation mark", poct.Meters, meters + "Q3-1,\"Quill\" 3,millrace,\nQ3-2,Quill 3,millrace,\n", 2, "", "quotation marks do not pair", 1},
		{"not UTF-8", poct.Meters, meters + "Q3-1,M\xfcller,millrace,\n", 2, "model", "is not UTF-8", 0},
		{"line break in a cell", poct.Meters, meters + "\"Q3\n-1\",Quill 3,millrace,\nQ3-2,Quill 3,millrace,\n", 2, "serial", "cannot be printed", 1},
		{"endless cell", poct.Meters, meters + strings.Repeat("Q", 201) + ",Quill 3,millrace,\n", 2, "serial", "longer than 200", 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			rows, refused := read(t, tt.kind, tt.text)
			require.NotEmpty(t, refused)
			assert.Equal(t, tt.line, refused[0].Line)
			assert.Equal(t, tt.column, refused[0].Column)
			assert.Contains(t, refused[0].Reason, tt.reason)
			assert.Equal(t, tt.good, registry.Count(rows))
		})
	}
}

func TestReadCSVTellsAllFaultsOfALine(t *testing.T) {
	_, refused := read(t, poct.StripLots, "lot,model,expires,isi,mnpt,recalled\n,Quill 3,soon,x,y,z\n")
	var columns []string
	for _, r := range refused {
		columns = append(columns, r.Column)
	}
	assert.Equal(t, []string{"lot", "expires", "isi", "mnpt", "recalled"}, columns)
}

// A report on patients may be read by people who may not see them.
func TestReadCSVQuotesNothingOfPatients(t *testing.T) {
	const canary = "KANARI"
	_, refused := read(t, poct.Patients, "authority,id,family,given,birth_date,sex\nM,"+canary+"1,"+canary+"2,"+canary+"3,"+canary+"4,"+canary+"5\n")
	require.NotEmpty(t, refused)
	_, more := read(t, poct.Visits, "visit,authority,patient,site,start,end\n"+canary+","+canary+","+canary+","+canary+","+canary+","+canary+"\n")
	require.NotEmpty(t, more)
	for _, r := range append(refused, more...) {
		assert.NotContains(t, r.String(), canary)
	}
}

func TestReadCSVErrors(t *testing.T) {
	_, _, err := registry.ReadCSV("strips", strings.NewReader(""))
	assert.ErrorContains(t, err, "write one of sites, meters")
	broken := errors.New("wire cut")
	_, _, err = registry.ReadCSV(poct.Sites, iotest.ErrReader(broken))
	assert.ErrorIs(t, err, broken)
}

func TestWriteReport(t *testing.T) {
	rows, refused := read(t, poct.Meters, "serial,model,site,state\nQ3-1,Quill 3,millrace,in-use\nQ3-2,Quill 3,,lost\n")
	var out bytes.Buffer
	require.NoError(t, registry.WriteReport(&out, poct.Meters, rows, refused))
	assert.Equal(t, `meters: 1 line read, 1 refused
  line 3, column site: is empty. Every line needs it
  line 3, column state: "lost" is no state. Write in-use or withdrawn
`, out.String())
}

func FuzzReadCSV(f *testing.F) {
	for _, seed := range []string{
		"site,name,time_zone,qc_interval\nmillrace,Millrace,Europe/Berlin,8h\n",
		"\ufeffserial;model;site;state\r\nQ3-1;Quill 3;millrace;in-use\r\n",
		"lot,model,expires,isi,mnpt,recalled\rL1,Quill 3,2025-03-31,1.02,12.0,no\r",
		"authority,id,family,given,birth_date,sex\nM,\"1\"\"\",a,b,1950-01-01,F\n",
		"visit,authority,patient,site,start,end\nV,M,1,s,2024-03-05T08:00:00Z,\n\"open",
		"control_lot,level,strip_lot,low,high,expires\nQC77,1,,0.9,1.3,\n\xff,,,,,\n",
		"operator,name,sites,certified_until\n1,,;,\n",
		"shipment,strip_lot,site,arrived,use_by\nS,L,m,2024-03-01,\nS2,L,m,2024-03-01T10:00:00Z,2024-04-01\n",
		"strip_lot,site,shipment,decision,isi,mnpt,read_back_by,by,at,reason,controls,pairs\nL,m,,accepted,1,12,k,r,2024-02-01T09:00:00Z,,a;b,5\n",
		"authority,patient,finding,value,unit,at,until\nM,1,heparin,,,2024-03-05T08:00:00Z,\n",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, kind := range registry.Kinds() {
			rows, refused, err := registry.ReadCSV(poct.RegistryKind(kind), strings.NewReader(text))
			if err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			lines := strings.Count(text, "\n") + strings.Count(text, "\r")
			if n := registry.Count(rows); n > lines {
				t.Fatalf("%s: %d rows out of %d line ends", kind, n, lines)
			}
			for _, r := range refused {
				if r.Reason == "" || r.Line < 1 || r.Line > lines+1 {
					t.Fatalf("%s: refused without a reason or place: %+v", kind, r)
				}
			}
			for _, l := range rows.StripLots {
				if !l.ISI.IsZero() && l.ISI.Rat().Sign() <= 0 {
					t.Fatalf("took ISI %v", l.ISI)
				}
			}
			for _, m := range rows.Meters {
				if m.State != "in-use" && m.State != "withdrawn" {
					t.Fatalf("took state %q", m.State)
				}
			}
		}
	})
}
