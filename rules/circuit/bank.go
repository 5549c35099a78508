package circuit

import "fmt"

// Bank is a measurement of the brake line with the magnets cold and the
// controller unplugged.
type Bank struct {
	Magnets int     `json:"magnets"`
	Low     float64 `json:"low_ohm"`  // published least of one
	High    float64 `json:"high_ohm"` // published most of one
	// Measured is the resistance between brake line and return, ohm.
	Measured *float64 `json:"measured_ohm,omitempty"`
	// Leads is the resistance of meter leads and wiring in the measurement, ohm.
	Leads *float64 `json:"leads_ohm,omitempty"`
}

// BankResult judges a bank of magnets.
type BankResult struct {
	Low      float64  `json:"low_ohm"` // expected of all in parallel
	High     float64  `json:"high_ohm"`
	Bank     *float64 `json:"bank_ohm,omitempty"` // measured less leads
	Finding  string   `json:"finding"`            // good, short, open, poor_joint, unknown
	Open     int      `json:"open,omitempty"`     // magnets that seem to be open
	Says     string   `json:"says"`
	Needs    []string `json:"needs,omitempty"`
	Cautions []string `json:"cautions"`
	Digits   int      `json:"digits"` // that hold of the expected resistances
	Sources  []Source `json:"sources"`
}

// JudgeBank compares a measured resistance with that of n magnets in parallel.
// Below the band points to a short, above it to open magnets or a poor joint.
func JudgeBank(b Bank) (BankResult, error) {
	if b.Magnets < 1 || b.Magnets > 4*mostAxles {
		return BankResult{}, &Bad{"/magnets", fmt.Sprintf("must be from 1 to %d, not %d", 4*mostAxles, b.Magnets)}
	}
	if err := over("/low_ohm", b.Low, 0, mostOhms, "ohm"); err != nil {
		return BankResult{}, err
	}
	if err := within("/high_ohm", b.High, b.Low, mostOhms, "ohm"); err != nil {
		return BankResult{}, err
	}
	for _, x := range []struct {
		arg string
		x   *float64
	}{{"/measured_ohm", b.Measured}, {"/leads_ohm", b.Leads}} {
		if x.x != nil {
			if err := within(x.arg, *x.x, 0, mostOhms, "ohm"); err != nil {
				return BankResult{}, err
			}
		}
	}
	n := float64(b.Magnets)
	r := BankResult{
		Low: b.Low / n, High: b.High / n, Finding: "unknown", Digits: 2,
		Cautions: []string{"Measure cold and with the controller unplugged: a hot magnet reads higher, about 0.39 % for each kelvin."},
		Sources:  []Source{serviceTable, physics},
	}
	expect := fmt.Sprintf("%d magnets of %s to %s ohm make %s to %s ohm", b.Magnets, show(b.Low), show(b.High), figure(r.Low, 3), figure(r.High, 3))
	if b.Measured == nil {
		r.Says, r.Needs = expect+".", []string{"/measured_ohm"}
		return r, nil
	}
	leads := 0.0
	if b.Leads == nil {
		r.Cautions = append(r.Cautions, "The leads were taken as nothing; those of a meter have 0.1 to 0.3 ohm, as much as an open magnet shows. Null them, or judge by the current at a known voltage.")
	} else {
		leads = *b.Leads
	}
	if leads > *b.Measured {
		return BankResult{}, &Bad{"/leads_ohm", "is more than was measured in all"}
	}
	bank := *b.Measured - leads
	r.Bank = &bank
	r.Finding, r.Open = b.find(bank, r)
	// Leads that were not measured can hide a short and feign an open magnet.
	if b.Leads == nil && r.Finding != "short" {
		const mostLeads = 0.3
		if f, _ := b.find(max(0, bank-mostLeads), r); f != r.Finding {
			r.Finding, r.Open, r.Needs = "unknown", 0, []string{"/leads_ohm"}
		}
	}
	r.Says = fmt.Sprintf("%s; %s ohm %s.", expect, figure(bank, 3), map[string]string{
		"good":       "fits",
		"short":      "is below that: look for a short, or for more magnets than were counted",
		"open":       fmt.Sprintf("fits %d of %d magnets: look for an open one or a broken lead", b.Magnets-r.Open, b.Magnets),
		"poor_joint": "fits no number of good magnets: look for a poor joint",
		"unknown":    "cannot be judged while the resistance of the leads is not known",
	}[r.Finding])
	return r, nil
}

// find names what a bank without its leads points to.
func (b Bank) find(bank float64, r BankResult) (string, int) {
	switch {
	case exceeds(r.Low, bank):
		return "short", 0
	case !exceeds(bank, r.High):
		return "good", 0
	}
	for open := 1; open < b.Magnets; open++ {
		left := float64(b.Magnets - open)
		if !exceeds(b.Low/left, bank) && !exceeds(bank, b.High/left) {
			return "open", open
		}
	}
	return "poor_joint", 0
}
