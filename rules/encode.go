package rules

import (
	"encoding/json"
	"strconv"

	"drawgear/rules/rig"
)

// AppendJSON appends the answer as json.Marshal writes it, to the byte. An answer
// is some 80 kB of a fixed form, and finding that form by reflection costs more than
// working the answer out.
func (a *Answer) AppendJSON(b []byte) []byte {
	b = text(b, `{"jurisdiction":`, a.Jurisdiction)
	b = text(b, `,"as_of":`, a.AsOf)
	b = text(b, `,"verdict":`, string(a.Verdict))
	b = a.Answers.Brakes.append(b, `,"answers":{"brakes":`)
	b = a.Answers.Breakaway.append(b, `,"breakaway":`)
	b = a.Answers.SafetyChains.append(b, `,"safety_chains":`)
	b = a.Answers.ParkingBrake.append(b, `,"parking_brake":`)
	b = a.Answers.PartsRated.append(b, `,"parts_rated":`)
	b = list(b, `},"asks":`, a.Asks, (*Ask).append)
	b = list(b, `,"findings":`, a.Findings, (*Finding).append)
	b = list(b, `,"conflicts":`, a.Conflicts, (*Conflict).append)
	b = list(b, `,"notices":`, a.Notices, (*Notice).append)
	b = list(b, `,"missing":`, a.Missing, (*Missing).append)
	b = texts(b, `,"not_covered":`, a.NotCovered)
	b = list(b, `,"loads":`, a.Loads, appendDerivation)
	b = list(b, `,"rulesets":`, a.Rulesets, (*RulesetRef).append)
	b = list(b, `,"sources":`, a.Sources, (*Source).append)
	b = texts(b, `,"cautions":`, a.Cautions)
	return append(b, '}')
}

// AppendJSON appends the answer in little as json.Marshal writes it, to the byte.
func (m *Minimal) AppendJSON(b []byte) []byte {
	b = text(b, `{"jurisdiction":`, m.Jurisdiction)
	b = text(b, `,"as_of":`, m.AsOf)
	b = text(b, `,"verdict":`, string(m.Verdict))
	b = m.Answers.Brakes.append(b, `,"answers":{"brakes":`)
	b = m.Answers.Breakaway.append(b, `,"breakaway":`)
	b = m.Answers.SafetyChains.append(b, `,"safety_chains":`)
	b = m.Answers.ParkingBrake.append(b, `,"parking_brake":`)
	b = m.Answers.PartsRated.append(b, `,"parts_rated":`)
	b = list(b, `},"findings":`, m.Findings, (*MinimalFinding).append)
	b = list(b, `,"missing":`, m.Missing, (*MinimalMissing).append)
	b = texts(b, `,"not_covered":`, m.NotCovered)
	b = list(b, `,"rulesets":`, m.Rulesets, (*MinimalRuleset).append)
	b = texts(b, `,"cautions":`, m.Cautions)
	return append(b, '}')
}

func (f *MinimalFinding) append(b []byte) []byte {
	b = text(b, `{"id":`, f.ID)
	return append(text(b, `,"status":`, string(f.Status)), '}')
}

func (m *MinimalMissing) append(b []byte) []byte {
	return append(text(b, `{"pointer":`, m.Pointer), '}')
}

func (q *MinimalQuestion) append(b []byte, key string) []byte {
	b = text(append(b, key...), `{"required":`, string(q.Required))
	b = text(b, `,"holds":`, string(q.Holds))
	return append(truth(b, `,"covered":`, q.Covered), '}')
}

func (r *MinimalRuleset) append(b []byte) []byte {
	b = text(b, `{"id":`, r.ID)
	b = strconv.AppendInt(append(b, `,"version":`...), int64(r.Version), 10)
	return append(text(b, `,"sha256":`, r.SHA256), '}')
}

func (q *Question) append(b []byte, key string) []byte {
	b = text(append(b, key...), `{"required":`, string(q.Required))
	b = text(b, `,"holds":`, string(q.Holds))
	b = truth(b, `,"covered":`, q.Covered)
	if len(q.Permitted) > 0 {
		b = texts(b, `,"permitted":`, q.Permitted)
	}
	return append(texts(b, `,"findings":`, q.Findings), '}')
}

func (a *Ask) append(b []byte) []byte {
	b = text(b, `{"question":`, a.Question)
	b = text(b, `,"value":`, a.Value)
	if len(a.Permitted) > 0 {
		b = texts(b, `,"permitted":`, a.Permitted)
	}
	return append(texts(b, `,"rules":`, a.Rules), '}')
}

func (f *Finding) append(b []byte) []byte {
	b = text(b, `{"id":`, f.ID)
	b = text(b, `,"rule":`, f.Rule)
	b = text(b, `,"question":`, f.Question)
	b = text(b, `,"level":`, f.Level)
	b = text(b, `,"status":`, string(f.Status))
	b = text(b, `,"summary":`, f.Summary)
	b = text(b, `,"because":`, f.Because)
	b = list(b, `,"inputs":`, f.Inputs, appendInput)
	b = given(b, `,"limit":`, f.Limit)
	b = given(b, `,"margin":`, f.Margin)
	b = given(b, `,"remedy":`, f.Remedy)
	b = given(b, `,"displaced_by":`, f.Replaced)
	b = f.Citation.append(append(b, `,"citation":`...))
	if len(f.WaitsFor) > 0 {
		b = texts(b, `,"waits_for":`, f.WaitsFor)
	}
	return append(b, '}')
}

func (c *Citation) append(b []byte) []byte {
	b = text(b, `{"ruleset":`, c.Ruleset)
	b = strconv.AppendInt(append(b, `,"version":`...), int64(c.Version), 10)
	b = text(b, `,"source":`, c.Source)
	b = text(b, `,"title":`, c.Title)
	b = given(b, `,"clause":`, c.Clause)
	b = text(b, `,"verification":`, c.Verification)
	b = text(b, `,"confidence":`, c.Confidence)
	return append(truth(b, `,"needs_confirming":`, c.NeedsConfirming), '}')
}

func (s *Source) append(b []byte) []byte {
	b = text(b, `{"id":`, s.ID)
	b = text(b, `,"title":`, s.Title)
	b = text(b, `,"publisher":`, s.Publisher)
	b = given(b, `,"edition":`, s.Edition)
	b = given(b, `,"published":`, s.Published)
	b = given(b, `,"url":`, s.URL)
	b = text(b, `,"kind":`, s.Kind)
	b = text(b, `,"checked":`, s.Checked)
	return append(given(b, `,"checked_on":`, s.CheckedOn), '}')
}

func (c *Conflict) append(b []byte) []byte {
	b = text(b, `{"question":`, c.Question)
	b = text(b, `,"summary":`, c.Summary)
	b = texts(b, `,"rules":`, c.Rules)
	return append(list(b, `,"citations":`, c.Citations, (*Citation).append), '}')
}

func (n *Notice) append(b []byte) []byte {
	b = text(b, `{"rule":`, n.Rule)
	b = text(b, `,"about":`, n.About)
	b = text(b, `,"text":`, n.Text)
	b = text(b, `,"applies":`, string(n.Applies))
	return append(n.Citation.append(append(b, `,"citation":`...)), '}')
}

func (m *Missing) append(b []byte) []byte {
	b = text(b, `{"pointer":`, m.Pointer)
	b = given(b, `,"term":`, m.Term)
	b = text(b, `,"meaning":`, m.Meaning)
	return append(texts(b, `,"rules":`, m.Rules), '}')
}

func (r *RulesetRef) append(b []byte) []byte {
	b = text(b, `{"id":`, r.ID)
	b = strconv.AppendInt(append(b, `,"version":`...), int64(r.Version), 10)
	b = text(b, `,"title":`, r.Title)
	b = text(b, `,"sha256":`, r.SHA256)
	b = append(b, `,"effective":{`...)
	open := len(b)
	b = given(b, `,"from":`, r.Effective.From)
	b = given(b, `,"to":`, r.Effective.To)
	if len(b) > open { // the first member has no comma before it
		b = append(b[:open], b[open+1:]...)
	}
	return append(text(b, `},"reviewed":`, r.Reviewed), '}')
}

func appendDerivation(d *rig.Derivation, b []byte) []byte {
	b = text(b, `{"figure":`, d.Figure)
	b = text(b, `,"value":`, d.Value)
	b = text(b, `,"formula":`, d.Formula)
	b = list(b, `,"inputs":`, d.Inputs, appendInput)
	return append(given(b, `,"assumption":`, d.Assumption), '}')
}

func appendInput(in *rig.Input, b []byte) []byte {
	b = text(b, `{"pointer":`, in.Pointer)
	return append(text(b, `,"value":`, in.Value), '}')
}

func list[T any](b []byte, key string, xs []T, one func(*T, []byte) []byte) []byte {
	b = append(b, key...)
	if xs == nil {
		return append(b, "null"...)
	}
	b = append(b, '[')
	for i := range xs {
		if i > 0 {
			b = append(b, ',')
		}
		b = one(&xs[i], b)
	}
	return append(b, ']')
}

func texts(b []byte, key string, ss []string) []byte {
	return list(b, key, ss, func(s *string, b []byte) []byte { return quoted(b, *s) })
}

func text(b []byte, key, s string) []byte { return quoted(append(b, key...), s) }

// given is text for a member that is left out if it is empty.
func given(b []byte, key, s string) []byte {
	if s == "" {
		return b
	}
	return text(b, key, s)
}

func truth(b []byte, key string, x bool) []byte { return strconv.AppendBool(append(b, key...), x) }

// quoted appends a JSON string. What is not plain is left to encoding/json.
func quoted(b []byte, s string) []byte {
	for i := range len(s) {
		if !plain[s[i]] {
			escaped, err := json.Marshal(s)
			if err != nil {
				panic(err) // a string can always be written
			}
			return append(b, escaped...)
		}
	}
	b = append(b, '"')
	b = append(b, s...)
	return append(b, '"')
}

// plain are the bytes that stand for themselves in what encoding/json writes.
var plain = func() (p [256]bool) {
	for c := byte(' '); c < 0x7f; c++ {
		p[c] = c != '"' && c != '\\' && c != '<' && c != '>' && c != '&'
	}
	return p
}()
