package registry

import (
	"cmp"
	"strconv"
	"strings"
	"time"

	"tidegate/poct"
)

// longestInterval bounds a site's control interval to what controls are
// looked back for.
const longestInterval = controlsMost - 24*time.Hour

// tables says how each kind is read.
var tables = map[poct.RegistryKind]table{
	poct.Sites: {
		columns: []column{{name: "site", required: true}, {name: "name"}, {name: "time_zone", required: true}, {name: "qc_interval"}},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			s := poct.Site{ID: c.text("site"), Name: c.text("name"), TimeZone: c.zone("time_zone"), QCInterval: c.interval("qc_interval")}
			return s.ID, func() { rows.Sites = append(rows.Sites, s) }
		},
	},
	poct.Meters: {
		columns: []column{{name: "serial", required: true}, {name: "model"}, {name: "site", required: true}, {name: "state"}},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			m := poct.Meter{Serial: c.text("serial"), Model: c.text("model"), Site: c.text("site"), State: c.state("state")}
			return m.Serial, func() { rows.Meters = append(rows.Meters, m) }
		},
	},
	poct.Operators: {
		columns: []column{{name: "operator", required: true}, {name: "name"}, {name: "sites", required: true}, {name: "certified_until"}, {name: "shared", optional: true}},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			o := poct.Operator{
				ID: c.text("operator"), Name: c.text("name"), Sites: c.list("sites"),
				CertifiedUntil: c.date("certified_until"), Shared: c.truth("shared"),
			}
			return o.ID, func() { rows.Operators = append(rows.Operators, o) }
		},
	},
	poct.StripLots: {
		columns: []column{{name: "lot", required: true}, {name: "model"}, {name: "expires"}, {name: "isi"}, {name: "mnpt"}, {name: "recalled"}},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			l := poct.StripLot{
				Lot: c.text("lot"), Model: c.text("model"), Expires: c.date("expires"),
				ISI: c.positive("isi"), MNPT: c.positive("mnpt"), Recalled: c.truth("recalled"),
			}
			return l.Lot, func() { rows.StripLots = append(rows.StripLots, l) }
		},
	},
	poct.ControlLots: {
		columns: []column{
			{name: "control_lot", required: true}, {name: "level", required: true}, {name: "strip_lot"},
			{name: "low", required: true}, {name: "high", required: true}, {name: "expires"},
			{name: "mean", optional: true}, {name: "sd", optional: true}, {name: "range_sds", optional: true},
		},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			l := poct.ControlLot{
				Lot: c.text("control_lot"), Level: c.text("level"), StripLot: c.text("strip_lot"),
				Low: c.positive("low"), High: c.positive("high"), Expires: c.date("expires"),
				Mean: c.positive("mean"), SD: c.positive("sd"), RangeSDs: c.positive("range_sds"),
			}
			switch {
			case c.bad:
			case l.High.Cmp(l.Low) < 0:
				c.fault("high", "is below low. Write the range from the control's sheet")
			case l.Mean.IsZero() != l.SD.IsZero():
				c.fault("sd", "goes with mean. Write both from the control's sheet, or neither")
			case !l.SD.IsZero() && !l.RangeSDs.IsZero():
				c.fault("range_sds", "is of no use beside mean and sd. Leave it empty")
			case !l.RangeSDs.IsZero() && l.High.Cmp(l.Low) == 0:
				c.fault("range_sds", "makes no SD of a range without width. Write mean and sd instead")
			}
			return key(l.Lot, strings.ToLower(l.Level), l.StripLot), func() { rows.ControlLots = append(rows.ControlLots, l) }
		},
	},
	poct.Patients: {
		private: true,
		columns: []column{
			{name: "authority", required: true}, {name: "id", required: true}, {name: "family"}, {name: "given"},
			{name: "birth_date"}, {name: "sex"}, {name: "merged_to", optional: true},
		},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			p := poct.Patient{
				Authority: c.text("authority"), ID: c.text("id"), Family: c.text("family"), Given: c.text("given"),
				BirthDate: c.date("birth_date"), Sex: c.text("sex"), MergedTo: c.text("merged_to"),
			}
			if p.MergedTo != "" && p.MergedTo == p.ID {
				c.fault("merged_to", "is the line's own id. Write the id that survives, or leave it empty")
			}
			return key(p.Authority, p.ID), func() { rows.Patients = append(rows.Patients, p) }
		},
	},
	poct.Visits: {
		private: true,
		columns: []column{
			{name: "visit", required: true}, {name: "authority", required: true}, {name: "patient", required: true},
			{name: "site", required: true}, {name: "start", required: true}, {name: "end"},
		},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			v := poct.Visit{
				ID: c.text("visit"), Authority: c.text("authority"), Patient: c.text("patient"), Site: c.text("site"),
				Start: c.time("start"), End: c.time("end"),
			}
			if !c.bad && !v.End.IsZero() && v.End.Before(v.Start) {
				c.fault("end", "is before start. Leave it empty while the visit is open")
			}
			return v.ID, func() { rows.Visits = append(rows.Visits, v) }
		},
	},
	poct.Orders: {
		private: true,
		columns: []column{
			{name: "order", required: true}, {name: "authority", required: true}, {name: "patient", required: true},
			{name: "code", required: true}, {name: "placed", required: true}, {name: "site", optional: true}, {name: "filler", optional: true},
			{name: "status", optional: true}, {name: "target_low", optional: true}, {name: "target_high", optional: true},
		},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			o := poct.Order{
				ID: c.text("order"), Placer: c.text("order"), Filler: c.text("filler"), Authority: c.text("authority"), Patient: c.text("patient"),
				Code: c.text("code"), Site: c.text("site"), Placed: c.time("placed"), Status: cmp.Or(c.text("status"), poct.OrderOpen),
				TargetLow: c.positive("target_low"), TargetHigh: c.positive("target_high"),
			}
			switch {
			case c.bad:
			case o.Status != poct.OrderOpen && o.Status != poct.OrderCompleted && o.Status != poct.OrderCancelled:
				c.fault("status", "is no status of an order. Write open, completed or cancelled")
			case o.TargetLow.IsZero() != o.TargetHigh.IsZero():
				c.fault("target_high", "goes with target_low. Write both from the order, or neither")
			case !o.TargetLow.IsZero() && o.TargetHigh.Cmp(o.TargetLow) < 0:
				c.fault("target_high", "is below target_low. Write the range from the order")
			}
			return key(o.Authority, o.Patient, o.ID), func() { rows.Orders = append(rows.Orders, o) }
		},
	},
	poct.Shipments: {
		columns: []column{
			{name: "shipment", required: true}, {name: "strip_lot", required: true}, {name: "site", required: true},
			{name: "arrived", required: true}, {name: "use_by"},
		},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			s := poct.Shipment{
				ID: c.text("shipment"), StripLot: c.text("strip_lot"), Site: c.text("site"),
				Arrived: c.dayOrTime("arrived"), UseBy: c.date("use_by"),
			}
			return s.ID, func() { rows.Shipments = append(rows.Shipments, s) }
		},
	},
	poct.Acceptances: {
		columns: []column{
			{name: "strip_lot", required: true}, {name: "site", required: true}, {name: "shipment"}, {name: "decision", required: true},
			{name: "isi"}, {name: "mnpt"}, {name: "read_back_by"}, {name: "by", required: true}, {name: "at", required: true}, {name: "reason"},
			{name: "controls", optional: true}, {name: "pairs", optional: true}, {name: "evidence", optional: true},
		},
		take: takeAcceptance,
	},
	poct.FindingRows: {
		private: true,
		columns: []column{
			{name: "authority", required: true}, {name: "patient", required: true}, {name: "finding", required: true},
			{name: "value"}, {name: "unit"}, {name: "at", required: true}, {name: "until"},
		},
		take: func(c *cells, rows *poct.RegistryRows) (string, func()) {
			at, until := c.time("at"), c.time("until")
			f := poct.Finding{
				Authority: c.text("authority"), Patient: c.text("patient"), Finding: strings.ToLower(c.text("finding")),
				Value: c.positive("value"), Unit: c.text("unit"), At: c.text("at"), Until: c.text("until"),
			}
			if !c.bad && !until.IsZero() && until.Before(at) {
				c.fault("until", "is before at. Leave it empty while it lasts")
			}
			return key(f.Authority, f.Patient, f.Finding, f.At), func() { rows.Findings = append(rows.Findings, f) }
		},
	},
}

// takeAcceptance reads the record of a new-lot procedure. A lot is accepted by
// two people: the second one reads its constants back.
func takeAcceptance(c *cells, rows *poct.RegistryRows) (string, func()) {
	a := poct.Acceptance{
		StripLot: c.text("strip_lot"), Site: c.text("site"), Shipment: c.text("shipment"), Decision: strings.ToLower(c.text("decision")),
		ISI: c.positive("isi"), MNPT: c.positive("mnpt"), ReadBackBy: c.text("read_back_by"), By: c.text("by"), At: c.time("at"),
		Reason: c.text("reason"), Controls: c.list("controls"), Pairs: c.count("pairs"), Evidence: c.text("evidence"),
	}
	accepted := a.Decision == "accepted"
	switch {
	case !accepted && a.Decision != "refused":
		c.wrong("decision", "is no decision. Write accepted or refused")
	case accepted && a.ReadBackBy == "":
		c.fault("read_back_by", "is empty. Write who read the lot's constants back")
	case accepted && strings.EqualFold(a.ReadBackBy, a.By):
		c.fault("read_back_by", "is the person who accepts. Have the constants read back by somebody else")
	case !accepted && a.Reason == "":
		c.fault("reason", "is empty. Write why the lot was refused")
	}
	return key(a.StripLot, a.Site, a.At.UTC().Format(time.RFC3339Nano)), func() { rows.Acceptances = append(rows.Acceptances, a) }
}

func key(parts ...string) string { return strings.Join(parts, "\x1f") }

// cells are the values of one line, read by column.
type cells struct {
	reader *reader
	line   int
	values map[string]string
	bad    bool
}

// fault refuses the line. What was written is quoted, unless it is about a
// patient.
func (c *cells) fault(column, reason string) {
	c.bad = true
	c.reader.refuse(c.line, column, reason)
}

func (c *cells) wrong(column, reason string) {
	if text := c.values[column]; !c.reader.table.private {
		reason = strconv.Quote(clip(text)) + " " + reason
	}
	c.fault(column, reason)
}

func (c *cells) text(column string) string { return c.values[column] }

func (c *cells) date(column string) string {
	text := c.values[column]
	if text == "" {
		return ""
	}
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		c.wrong(column, "is no date. Write year, month and day: YYYY-MM-DD")
	}
	return text
}

func (c *cells) time(column string) time.Time {
	text := c.values[column]
	if text == "" {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		c.wrong(column, "is no time with offset. Write YYYY-MM-DDThh:mm:ss+hh:mm")
	}
	return t
}

// dayOrTime reads a date or a time with offset, and keeps it as written: the
// start of a day is another instant at each site.
func (c *cells) dayOrTime(column string) string {
	text := c.values[column]
	_, day := time.Parse(time.DateOnly, text)
	_, instant := time.Parse(time.RFC3339, text)
	if text != "" && day != nil && instant != nil {
		c.wrong(column, "is no date or time with offset. Write YYYY-MM-DD, or YYYY-MM-DDThh:mm:ss+hh:mm")
	}
	return text
}

// count reads a whole number from 0.
func (c *cells) count(column string) int {
	text := c.values[column]
	if text == "" {
		return 0
	}
	n, err := strconv.ParseUint(text, 10, 31)
	if err != nil {
		c.wrong(column, "is no number of things. Write digits, such as 5")
	}
	return int(n)
}

func (c *cells) zone(column string) string {
	text := c.values[column]
	if text == "" {
		return ""
	}
	if _, err := zone(text); err != nil {
		c.wrong(column, "is no time zone. Write an IANA name, such as Europe/Berlin")
	}
	return text
}

func (c *cells) interval(column string) time.Duration {
	text := c.values[column]
	if text == "" {
		return 0
	}
	d, err := time.ParseDuration(text)
	switch {
	case err != nil || d <= 0:
		c.wrong(column, "is no interval. Write hours, such as 8h or 168h, or leave it empty")
	case d > longestInterval:
		c.wrong(column, "is too long. Write at most "+strconv.Itoa(int(longestInterval.Hours()))+"h")
	}
	return d
}

// positive reads a decimal above zero.
func (c *cells) positive(column string) poct.Number {
	text := c.values[column]
	if text == "" {
		return poct.Number{}
	}
	n, err := poct.ParseNumber(text)
	switch {
	case err != nil && strings.Count(text, ",") == 1:
		c.wrong(column, "has a decimal comma. Write a point, such as 1.02")
	case err != nil || !n.Exact():
		c.wrong(column, "is no decimal number. Write digits with a point, such as 1.02")
	case n.Rat().Sign() <= 0:
		c.wrong(column, "is not above zero")
	}
	return n
}

func (c *cells) truth(column string) bool {
	switch strings.ToLower(c.values[column]) {
	case "true", "yes", "1":
		return true
	case "", "false", "no", "0":
		return false
	}
	c.wrong(column, "is neither true nor false. Write true or false")
	return false
}

func (c *cells) state(column string) string {
	switch text := strings.NewReplacer(" ", "-", "_", "-").Replace(strings.ToLower(c.values[column])); text {
	case "", "in-use", "active":
		return "in-use"
	case "withdrawn":
		return text
	}
	c.wrong(column, "is no state. Write in-use or withdrawn")
	return ""
}

// list reads names separated by semicolons, commas, bars or spaces.
func (c *cells) list(column string) []string {
	if c.values[column] == "" {
		return nil
	}
	names := strings.FieldsFunc(c.values[column], func(r rune) bool { return r == ';' || r == ',' || r == '|' || r == ' ' })
	if len(names) == 0 {
		c.wrong(column, "names nothing. Write names separated by semicolons, or *")
	}
	return names
}
