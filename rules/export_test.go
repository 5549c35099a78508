package rules

import "drawgear/rules/rig"

// Findings are those of Assess, and nothing else of the answer is worked out.
func (b *Book) Findings(r *rig.Rig, day rig.Day) ([]Finding, error) {
	p, err := b.planOn(r.Jurisdiction, day)
	if err != nil {
		return nil, err
	}
	e := p.runIn(runs.Get().(*run), r, day, false)
	defer e.release()
	return e.findings(), nil
}
