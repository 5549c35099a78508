package service

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"slices"
	"strings"

	"drawgear/rules"
	"drawgear/rules/expr"
	"drawgear/rules/quantity"
	"drawgear/rules/rig"
)

// partQuestions are the questions on which a finding that is not met says that
// something is not there, and the role in which it is wanted.
var partQuestions = map[string]string{
	"service_brakes.required":     "brake",
	"breakaway.required":          "breakaway",
	"parking_brake.required":      "parking_brake",
	"safety_chains.required":      "chain",
	"safety_chains.count":         "chain",
	"device.load_levelling":       "load_levelling",
	"device.sway_device":          "sway_device",
	"safety_chains.each_breaking": "chain", "safety_chains.each_breaking_over": "chain", "safety_chains.together_breaking": "chain", "safety_chains.size": "chain",
}

// needed is what is wanted of the parts of a role.
type needed struct {
	PartNeed
	least *expr.Value // that the rated mass must reach; nil if it cannot be told
	open  bool        // something is wanted that a rated mass does not settle
}

// parts tells which parts the findings that are not met want replaced or fitted.
// Nothing is said that no finding says: a part of which the law asks a breaking
// strength is named without the rating that it needs.
func (j *judge) parts(r *rig.Rig, failing []rules.Failure) []PartNeed {
	var list []needed
	at := func(role string) *needed {
		i := slices.IndexFunc(list, func(n needed) bool { return n.Role == role })
		if i < 0 {
			i = len(list)
			list = append(list, needed{PartNeed: PartNeed{Role: role}})
		}
		return &list[i]
	}
	for _, f := range failing {
		role, rated := strings.CutPrefix(f.Question, "part_rating.")
		if f.Question == "safety_chains.each_rated" {
			role, rated = "chain", true
		}
		if !rated {
			if role, asked := partQuestions[f.Question]; asked {
				at(role).open = true
			}
			continue
		}
		n := at(role)
		if !f.Limited {
			n.open = true
			continue
		}
		if n.least == nil || f.Limit.Cmp(*n.least) > 0 {
			n.least, n.Needs = &f.Limit, f.Limit.String()
		}
		n.Has = weakest(r, role)
	}
	slices.SortFunc(list, func(x, y needed) int { return cmp.Compare(x.Role, y.Role) })
	out := make([]PartNeed, len(list))
	for i, n := range list {
		if n.least != nil && !n.open {
			n.Offer = j.offers.cheapest(n.Role, *n.least)
		}
		out[i] = n.PartNeed
	}
	return out
}

// weakest is the least rated mass of the parts of a role, empty if there is none.
func weakest(r *rig.Rig, role string) string {
	var least quantity.Quantity
	for _, p := range r.Parts {
		alike := p.Role == role || role == "chain" && p.Role == "cable"
		if alike && p.Count > 0 && !p.RatedMass.IsZero() && (least.IsZero() || p.RatedMass.Cmp(least) < 0) {
			least = p.RatedMass
		}
	}
	if least.IsZero() {
		return ""
	}
	return least.Text()
}

// offer is a part in stock that has a price and a rated mass.
type offer struct {
	Role  string            `json:"role"`
	Rated quantity.Quantity `json:"rated_mass"`
	PartOffer
	price money
}

// offers are those worth offering, by role, currency and price: of two in one
// currency the dearer is there only if it is rated for more.
type offers []offer

// offers reads what the register has in stock on a day, as the input of an audit.
func (a *Auditor) offers(ctx context.Context, day string) ([]byte, error) {
	var list offers
	next := a.standing(ctx, EntryPart, "", day)
	for {
		e, err := next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		if e.FittedTo.Kind != "" {
			continue
		}
		if o, ok := offerOf(e); ok {
			list = list.with(o)
		}
	}
	if list == nil {
		list = offers{}
	}
	out, err := json.Marshal(list)
	if err != nil {
		return nil, fmt.Errorf("write the offers of an audit: %w", err)
	}
	return out, nil
}

// offerOf reads a part as an offer, if it is one.
func offerOf(e Entry) (offer, bool) {
	var doc struct {
		Role      string `json:"role"`
		RatedMass string `json:"rated_mass"`
		Count     *int   `json:"count"`
		Price     *struct {
			Amount   string `json:"amount"`
			Currency string `json:"currency"`
		} `json:"price"`
	}
	if err := json.Unmarshal(e.Document, &doc); err != nil || doc.Price == nil || doc.Count != nil && *doc.Count == 0 {
		return offer{}, false
	}
	rated, err := quantity.Parse(quantity.Mass, doc.RatedMass)
	price, ok := parseMoney(doc.Price.Amount)
	return offer{doc.Role, rated, PartOffer{e.ID, doc.Price.Amount, doc.Price.Currency}, price}, err == nil && ok
}

// with adds an offer if it is worth it, and drops those that no longer are: of one
// role and currency ratings rise with prices.
func (list offers) with(o offer) offers {
	alike := func(i int) bool {
		return i >= 0 && i < len(list) && list[i].Role == o.Role && list[i].Currency == o.Currency
	}
	i, _ := slices.BinarySearchFunc(list, o, func(p, o offer) int {
		return cmp.Or(cmp.Compare(p.Role, o.Role), cmp.Compare(p.Currency, o.Currency), p.price.cmp(o.price), cmp.Compare(p.ID, o.ID))
	})
	if alike(i-1) && list[i-1].Rated.Cmp(o.Rated) >= 0 {
		return list
	}
	end := i
	for alike(end) && list[end].Rated.Cmp(o.Rated) <= 0 {
		end++
	}
	return slices.Replace(list, i, end, o)
}

func readOffers(text []byte) (offers, error) {
	var raw []struct {
		Role  string `json:"role"`
		Rated string `json:"rated_mass"`
		PartOffer
	}
	if err := json.Unmarshal(text, &raw); err != nil {
		return nil, fmt.Errorf("%w: %w", errChunk, err)
	}
	out := make(offers, len(raw))
	for i, x := range raw {
		rated, err := quantity.Parse(quantity.Mass, x.Rated)
		price, ok := parseMoney(x.Price)
		if err != nil || !ok {
			return nil, fmt.Errorf("%w: the offer of part %s", errChunk, x.ID)
		}
		out[i] = offer{x.Role, rated, x.PartOffer, price}
	}
	return out, nil
}

// cheapest is the first offer that will do: the cheapest of its currency. Prices
// in different currencies cannot be compared; the first currency by its code that
// has one is taken.
func (list offers) cheapest(role string, least expr.Value) *PartOffer {
	for i := range list {
		if o := &list[i]; o.Role == role && expr.Of(o.Rated).Cmp(least) >= 0 {
			return &o.PartOffer
		}
	}
	return nil
}

// money is an exact decimal amount.
type money struct {
	n      *big.Int // in units of the last decimal
	places int
}

// maxMoney bounds the letters of an amount.
const maxMoney = 40

// parseMoney reads a decimal such as 18.50, without a sign.
func parseMoney(text string) (money, bool) {
	whole, rest, point := strings.Cut(text, ".")
	if whole == "" || point && rest == "" || len(text) > maxMoney || strings.Trim(whole+rest, "0123456789") != "" {
		return money{}, false
	}
	n, ok := new(big.Int).SetString(whole+rest, 10)
	return money{n, len(rest)}, ok
}

// to writes it with more decimals.
func (m money) to(places int) *big.Int {
	if m.n == nil {
		return new(big.Int)
	}
	ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places-m.places)), nil)
	return ten.Mul(ten, m.n)
}

func (m money) cmp(o money) int {
	places := max(m.places, o.places)
	return m.to(places).Cmp(o.to(places))
}

func (m money) plus(o money) money {
	places := max(m.places, o.places)
	sum := m.to(places)
	return money{sum.Add(sum, o.to(places)), places}
}

// String writes it with as many decimals as the most precise amount that is in it.
func (m money) String() string {
	digits := m.to(m.places).String()
	if m.places == 0 {
		return digits
	}
	if short := m.places + 1 - len(digits); short > 0 {
		digits = strings.Repeat("0", short) + digits
	}
	at := len(digits) - m.places
	return digits[:at] + "." + digits[at:]
}
