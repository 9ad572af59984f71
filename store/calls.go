package store

import (
	"context"
	"fmt"

	"tidegate/ledger"
	"tidegate/poct"
)

// Criticals lists critical results, those of whom nobody was told yet alone if
// open, oldest first, with every attempt to tell somebody.
func (s *Store) Criticals(ctx context.Context, open bool) ([]poct.Critical, error) {
	q := s.read.with(ctx)
	out, err := collect(q, func(rows rowSet) (poct.Critical, error) {
		var c poct.Critical
		var tested, opened, told int64
		err := rows.Scan(&c.Result, &c.Hold, &c.Site, &c.Value, &c.Meter, &tested, &opened, &c.Told, &told, &c.Comment)
		c.Tested, c.Opened, c.ToldAt = fromMicros(tested), fromMicros(opened), fromMicros(told)
		return c, err
	}, `SELECT r.id, coalesce((SELECT max(id) FROM holds h WHERE h.result = r.seq AND h.open = 1), ''), r.site, c.value, r.meter, r.tested,
		c.opened, c.told, c.told_at, c.comment FROM criticals c JOIN results r ON r.seq = c.result
		WHERE c.told = '' OR NOT ? ORDER BY c.opened, c.result`, open)
	if err != nil {
		return nil, fmt.Errorf("read critical results: %w", err)
	}
	tries, err := collect(q, scanCall, callColumns+`JOIN criticals k ON k.result = c.result WHERE k.told = '' OR NOT ? ORDER BY c.id`, open)
	if err != nil {
		return nil, fmt.Errorf("read calls: %w", err)
	}
	of := map[string][]poct.CallTry{}
	for _, c := range tries {
		of[c.Result] = append(of[c.Result], c)
	}
	for i := range out {
		out[i].Tries = of[out[i].Result]
	}
	return out, nil
}

const callColumns = `SELECT r.id, c.at, c.actor, c.told, c.reached, c.read_back, c.comment FROM calls c JOIN results r ON r.seq = c.result `

func scanCall(rows rowSet) (poct.CallTry, error) {
	var c poct.CallTry
	var at int64
	err := rows.Scan(&c.Result, &at, &c.By, &c.To, &c.Reached, &c.ReadBack, &c.Comment)
	c.At = fromMicros(at)
	return c, err
}

// Call records an attempt to tell a person of a critical result; when is the
// moment of the commit. One that reached nobody leaves the call open.
// poct.ErrOvertaken if somebody was told before; poct.ErrNotFound if the result
// is none.
func (s *Store) Call(ctx context.Context, c poct.CallTry) error {
	return s.do(ctx, func(t *tx) error {
		k, err := t.result(c.Result)
		if err != nil {
			return err
		}
		var told string
		err = t.row(`SELECT told FROM criticals WHERE result = ?`, k.seq).Scan(&told)
		switch {
		case isNone(err):
			return fmt.Errorf("critical result %s: %w", c.Result, poct.ErrNotFound)
		case err != nil:
			return fmt.Errorf("read critical result: %w", err)
		case told != "":
			return fmt.Errorf("critical result %s: %w", c.Result, poct.ErrOvertaken)
		}
		event, kind := t.nextEvent(), poct.EventCallTried
		if c.Reached {
			kind = poct.EventCalled
			if _, err := t.exec(`UPDATE criticals SET told = ?, told_at = ?, comment = ?, event = ? WHERE result = ?`,
				c.By, micros(t.at), c.Comment, event, k.seq); err != nil {
				return fmt.Errorf("close call: %w", err)
			}
		}
		if _, err := t.exec(`INSERT INTO calls (result, at, actor, told, reached, read_back, comment, event) VALUES (?,?,?,?,?,?,?,?)`,
			k.seq, micros(t.at), c.By, c.To, c.Reached, c.ReadBack, c.Comment, event); err != nil {
			return fmt.Errorf("write call: %w", err)
		}
		_, err = t.event(poct.Event{Kind: kind, Actor: c.By, Result: c.Result, Version: k.version},
			&ledger.Payload{SHA256: digestOfCall(c), Reason: c.Comment, More: more(callMore{c.To, c.ReadBack})})
		return err
	})
}

// callMore is what an event tells of a call besides.
type callMore struct {
	To       string `json:"to"`
	ReadBack string `json:"read_back,omitempty"`
}

func digestOfCall(c poct.CallTry) string {
	return digestOf([]byte(c.To), []byte(c.ReadBack), []byte(c.Comment))
}

// calls checks each attempt, and each critical result's row, against its event.
func (v *verifier) calls() error {
	var n int64
	if err := v.each(`SELECT r.id, c.actor, c.told, c.reached, c.read_back, c.comment, c.event, `+witnessed+`
		FROM calls c JOIN results r ON r.seq = c.result LEFT JOIN events e ON e.idx = c.event`, func(rows rowSet) error {
		var c poct.CallTry
		var w witness
		if err := rows.Scan(append([]any{&c.Result, &c.By, &c.To, &c.Reached, &c.ReadBack, &c.Comment, &w.index}, w.into()...)...); err != nil {
			return err
		}
		n++
		kind := poct.EventCallTried
		if c.Reached {
			kind = poct.EventCalled
		}
		told := c.To == "" || w.says(digestOfCall(c)) // an older ledger does not say whom
		if !w.is(kind) || w.result != c.Result || w.actor != c.By || !told {
			v.fault(w.index, "a call about result %s is not the one that was made", c.Result)
		}
		return nil
	}); err != nil {
		return err
	}
	if err := v.each(`SELECT r.id, c.told, c.event, `+witnessed+` FROM criticals c JOIN results r ON r.seq = c.result
		LEFT JOIN events e ON e.idx = c.event`, func(rows rowSet) error {
		var result, told string
		var w witness
		if err := rows.Scan(append([]any{&result, &told, &w.index}, w.into()...)...); err != nil {
			return err
		}
		if w.result != result || (told != "") != w.is(poct.EventCalled) || told != "" && w.actor != told {
			v.fault(w.index, "the critical result %s stands as %s, and no event says so", result, map[bool]string{true: "called", false: "open"}[told != ""])
		}
		return nil
	}); err != nil {
		return err
	}
	return v.number("calls", n, "calls", poct.EventCalled, poct.EventCallTried)
}
