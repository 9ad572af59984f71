package lis

import (
	"context"

	"tidegate/wire/astm"
)

// queries picks the whole messages that ask for something.
func queries(pieces []astm.Piece) []*astm.Message {
	var out []*astm.Message
	for _, p := range pieces {
		if p.Fault != nil {
			continue
		}
		if m, err := astm.Parse(p.Raw); err == nil && m.Incomplete() == nil && len(m.Queries()) > 0 {
			out = append(out, m)
		}
	}
	return out
}

// answer makes the messages that answer queries. H.5 of the asker becomes
// H.10, its version H.13; codes of L.3: F, the last of what was asked for; I,
// there is no information.
func (s *session) answer(ctx context.Context, asked []*astm.Message) []byte {
	var out []byte
	d := astm.Standard
	for _, m := range asked {
		var records []byte
		failed := false
		for _, q := range m.Queries() {
			if s.in.set.Answerer == nil {
				break
			}
			some, err := s.in.set.Answerer.Answer(ctx, q)
			if err != nil { // an instrument that hears nothing asks again
				s.in.set.Log.Error().Err(err).Str("peer", s.peer).Msg("a query could not be answered")
				failed = true
			}
			records = append(records, some...)
		}
		if failed {
			continue
		}
		plain := func(field int) string { return astm.Escape(m.Header().Field(field).Text(), d) }
		out = d.AppendRecord(out, 'H', `\^&`, "", "", "tidegate", "", "", "", "", plain(5), "", "P", plain(13))
		out = append(out, records...)
		code := "F"
		if len(records) == 0 {
			code = "I"
		}
		out = d.AppendRecord(out, 'L', "1", code)
	}
	return out
}
