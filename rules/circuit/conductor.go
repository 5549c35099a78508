package circuit

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Family is a system of conductor sizes. The same number means another amount
// of copper in each.
type Family string

// The families. Text of a conductor is given for each.
const (
	Metric      Family = "mm2"         // "6 mm2": flexible, IEC 60228 class 5
	MetricRigid Family = "mm2_class2"  // "6 mm2 class 2": solid or plain stranded, IEC 60228 classes 1 and 2
	Automotive  Family = "mm2_iso6722" // "6 mm2 ISO 6722": road vehicle cable; figures from memory
	AWG         Family = "awg"         // "10 AWG", "2/0 AWG"
	SAE         Family = "sae"         // "SAE 10": SAE J1128
	AutoCable   Family = "auto_cable"  // "6 mm auto cable": Australian, named by about the outside diameter
	Strands     Family = "strands"     // "65/0.30": number of strands and their diameter in mm
)

// Chosen lists the families that Choose tries if none is asked for. Those from
// memory, and those that a size cannot be ordered in, are left out.
var Chosen = []Family{Metric, AWG, SAE, AutoCable}

// Physical constants of annealed copper at 20 degC (100 % IACS), NBS Handbook
// 100 section 1; second-hand.
const (
	resistivity = 0.017241 // ohm mm2/m
	tempCoeff   = 0.00393  // 1/K, of the resistance at 20 degC
	reference   = 20       // degC
)

// TemperatureFactor is how many times its resistance at 20 degC a copper
// conductor or winding has at t degC: 1 + 0.00393 (t - 20). NBS Handbook 100;
// second-hand. Meant for -60 to 200 degC.
func TemperatureFactor(t float64) float64 { return 1 + tempCoeff*(t-reference) }

// CopperOhms is the resistance in ohm of solid copper of area mm2, length m
// (one conductor, counted once) and temperature t degC. Stranded cable of a
// stated metric size may have 2 to 16 % more.
func CopperOhms(area, length, t float64) float64 {
	return resistivity * TemperatureFactor(t) * length / area
}

// AWGDiameter is the diameter in mm of American wire gauge n, where 1/0, 2/0,
// 3/0 and 4/0 are n = 0, -1, -2 and -3: 0.127 mm times 92^((36-n)/39). ASTM
// B258; second-hand.
func AWGDiameter(n int) float64 { return 0.127 * math.Pow(92, float64(36-n)/39) }

// AWGArea is the area in mm2 of solid American wire gauge n.
func AWGArea(n int) float64 { return StrandedArea(1, AWGDiameter(n)) }

// StrandedArea is the area in mm2 of n strands of diameter d mm.
func StrandedArea(n int, d float64) float64 { return float64(n) * math.Pi / 4 * d * d }

// size is one row of a table of sizes.
type size struct {
	n    float64 // the number in the name
	area float64 // mm2
	ohms float64 // most at 20 degC, ohm/km; 0 where the standard has none and copper of the area is taken
}

// Tables of sizes, smallest first.
var (
	// IEC 60228 plain copper, ohm/km at 20 degC: four reference pages agree;
	// second-hand. A standard for installation cable that stands in for vehicle
	// cable.
	class5 = []size{
		{0.5, 0.5, 39.0},
		{0.75, 0.75, 26.0},
		{1, 1, 19.5},
		{1.5, 1.5, 13.3},
		{2.5, 2.5, 7.98},
		{4, 4, 4.95},
		{6, 6, 3.30},
		{10, 10, 1.91},
		{16, 16, 1.21},
		{25, 25, 0.780},
	}
	class2 = []size{
		{0.5, 0.5, 36.0},
		{0.75, 0.75, 24.5},
		{1, 1, 18.1},
		{1.5, 1.5, 12.1},
		{2.5, 2.5, 7.41},
		{4, 4, 4.61},
		{6, 6, 3.08},
		{10, 10, 1.83},
		{16, 16, 1.15},
		{25, 25, 0.727},
	}
	// ISO 6722-1, mohm/m at 20 degC; from memory.
	automotive = []size{
		{0.35, 0.35, 52.0},
		{0.5, 0.5, 37.1},
		{0.75, 0.75, 24.7},
		{1, 1, 18.5},
		{1.5, 1.5, 12.7},
		{2, 2, 9.42},
		{2.5, 2.5, 7.60},
		{3, 3, 6.15},
		{4, 4, 4.71},
		{6, 6, 3.14},
		{10, 10, 1.82},
		{16, 16, 1.16},
		{25, 25, 0.743},
	}
	// SAE J1128 areas, from circular mils as read; second-hand.
	sae = []size{{18, 0.779, 0}, {16, 1.184, 0}, {14, 1.876, 0}, {12, 2.956, 0}, {10, 4.734, 0}}
	// Australian auto cable; second-hand. Strand counts bear the areas out
	// (16/0.30, 26/0.30, 41/0.30, 65/0.30); that of 2.5 mm is a trade page's.
	autoCable = []size{{2.5, 0.64, 0}, {3, 1.13, 0}, {4, 1.84, 0}, {5, 2.90, 0}, {6, 4.59, 0}}
	// The even gauges in which cable is sold; areas by definition.
	awg = func() []size {
		var s []size
		for n := 18; n >= 2; n -= 2 {
			s = append(s, size{float64(n), AWGArea(n), 0})
		}
		return s
	}()
)

// The American gauges that are read, 24 to 4/0.
const (
	thinnestAWG = 24
	thickestAWG = -3
)

func (f Family) sizes() []size {
	switch f {
	case Metric:
		return class5
	case MetricRigid:
		return class2
	case Automotive:
		return automotive
	case AWG:
		return awg
	case SAE:
		return sae
	case AutoCable:
		return autoCable
	}
	return nil
}

func (f Family) source() Source {
	switch f {
	case Metric:
		return iec60228.at("class 5")
	case MetricRigid:
		return iec60228.at("classes 1 and 2")
	case Automotive:
		return iso6722
	case AWG:
		return astmB258
	case SAE:
		return saeJ1128
	case AutoCable:
		return autoTables
	}
	return copperTables
}

// Conductor is one conductor of a line: a size of a family, or several alike
// side by side. The zero Conductor is none. Two are == if they are the same
// size in the same words.
type Conductor struct {
	family   Family
	name     string  // of one of those side by side
	n        float64 // the number in the name
	area     float64 // mm2, of one
	ohms     float64 // ohm/m at 20 degC, of one
	parallel int
}

// mostParallel is how many conductors side by side are read.
const mostParallel = 4

// ParseConductor reads "6 mm2", "6 mm2 class 2", "6 mm2 ISO 6722", "10 AWG",
// "2/0 AWG", "SAE 10", "6 mm auto cable" or "65/0.30", with "2 x " in front for
// two side by side. A size that could be meant in two ways is refused: "6 mm"
// may be 6 mm2 of copper or auto cable with 4.59 mm2. The error is a *Bad.
func ParseConductor(text string) (Conductor, error) {
	if len(text) > 40 {
		return Conductor{}, &Bad{"conductor", "is too long: write it as \"6 mm2\" or \"10 AWG\""}
	}
	s := strings.Join(strings.Fields(strings.ReplaceAll(strings.ToLower(text), "mm²", "mm2")), " ")
	parallel := 1
	if before, rest, found := strings.Cut(s, " x "); found {
		n, err := strconv.Atoi(before)
		if err != nil || n < 1 || n > mostParallel || before != strconv.Itoa(n) {
			return Conductor{}, badConductor(text, fmt.Sprintf("what stands before x is how many lie side by side, 1 to %d", mostParallel))
		}
		parallel, s = n, rest
	}
	c, why := parseOne(s)
	if why != "" {
		return Conductor{}, badConductor(text, why)
	}
	c.parallel = parallel
	return c, nil
}

func badConductor(text, why string) error {
	return &Bad{"conductor", fmt.Sprintf("%s is not understood: %s", strconv.Quote(strings.ToValidUTF8(text, "")), why)}
}

// parseOne reads one conductor in lower case with single spaces; why is empty
// if that went well.
func parseOne(s string) (c Conductor, why string) {
	if strings.Contains(s, "cca") || strings.Contains(s, "alumin") {
		return c, "copper-clad aluminium has about 1.5 times the resistance of copper and is not to be used for brakes (common practice, no published source)"
	}
	number, rest := splitNumber(s)
	switch {
	case s == "":
		return c, "nothing is written: write it as \"6 mm2\" or \"10 AWG\""
	case strings.HasPrefix(s, "awg "):
		return parseAWG(s[len("awg "):])
	case strings.HasPrefix(s, "sae "):
		return named(SAE, s[len("sae "):])
	case rest == "awg":
		return parseAWG(number)
	case rest == "sae":
		return named(SAE, number)
	case rest == "mm2", rest == "mm2 class 5":
		return named(Metric, number)
	case rest == "mm2 class 1", rest == "mm2 class 2":
		return named(MetricRigid, number)
	case rest == "mm2 iso 6722":
		return named(Automotive, number)
	case rest == "mm auto cable":
		return named(AutoCable, number)
	case rest == "mm", strings.HasPrefix(rest, "mm "):
		return c, `millimetres alone do not say how much copper there is: write "` + number + ` mm2" for an area, or "` + number + ` mm auto cable" for Australian auto cable, which has less`
	case rest == "ga", rest == "gauge", rest == "g":
		return c, `a gauge alone does not say which: write "` + number + ` AWG" or "SAE ` + number + `", which has less copper`
	case strings.HasPrefix(rest, "/"):
		return parseStrands(s)
	case number != "" && rest == "":
		return c, "it has no unit: write mm2, AWG, SAE or mm auto cable"
	}
	return c, `write it as "6 mm2", "10 AWG", "SAE 10", "6 mm auto cable" or "65/0.30"`
}

// splitNumber cuts a decimal, or a gauge like 2/0, off the front.
func splitNumber(s string) (number, rest string) {
	i := 0
	for i < len(s) && (s[i] >= '0' && s[i] <= '9' || s[i] == '.') {
		i++
	}
	if strings.HasPrefix(s[i:], "/0 awg") {
		i += len("/0")
	}
	return s[:i], strings.TrimPrefix(s[i:], " ")
}

// decimal reads digits with at most one point between them.
func decimal(s string) (float64, bool) {
	if s == "" || s[0] == '.' || s[len(s)-1] == '.' || strings.Trim(s, "0123456789.") != "" {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return x, err == nil
}

func parseAWG(s string) (c Conductor, why string) {
	zeros, ought := strings.CutSuffix(s, "/0")
	n, err := strconv.Atoi(zeros)
	if ought {
		n = 1 - n
		if n > 0 || n < thickestAWG {
			err = errors.New("no such gauge")
		}
	} else if n < 0 || n > thinnestAWG || strings.Trim(s, "0123456789") != "" {
		err = errors.New("no such gauge")
	}
	if err != nil {
		return c, "gauges are whole numbers from 24 to 0, then 1/0 to 4/0"
	}
	return awgConductor(n), ""
}

func awgConductor(n int) Conductor {
	name := strconv.Itoa(n) + " AWG"
	if n <= 0 {
		name = strconv.Itoa(1-n) + "/0 AWG"
	}
	return conductor(AWG, name, size{n: float64(n), area: AWGArea(n)})
}

// named finds a size of a family by its number.
func named(f Family, number string) (c Conductor, why string) {
	x, ok := decimal(number)
	if ok {
		for _, s := range f.sizes() {
			if s.n == x {
				return f.of(s), ""
			}
		}
	}
	var known []string
	for _, s := range f.sizes() {
		known = append(known, show(s.n))
	}
	return c, fmt.Sprintf("the sizes known as %s are %s", f.text("N"), strings.Join(known, ", "))
}

// text is how a size of the family is written.
func (f Family) text(n string) string {
	switch f {
	case MetricRigid:
		return n + " mm2 class 2"
	case Automotive:
		return n + " mm2 ISO 6722"
	case AWG:
		return n + " AWG"
	case SAE:
		return "SAE " + n
	case AutoCable:
		return n + " mm auto cable"
	}
	return n + " mm2"
}

// label names the family for people.
func (f Family) label() string {
	switch f {
	case Metric:
		return "flexible cable by mm2"
	case MetricRigid:
		return "rigid cable by mm2"
	case Automotive:
		return "vehicle cable by mm2"
	case AutoCable:
		return "Australian auto cable"
	case SAE:
		return "SAE J1128"
	}
	return "AWG"
}

func (f Family) of(s size) Conductor { return conductor(f, f.text(show(s.n)), s) }

func conductor(f Family, name string, s size) Conductor {
	ohms := s.ohms / 1000
	if ohms == 0 {
		ohms = CopperOhms(s.area, 1, reference)
	}
	return Conductor{family: f, name: name, n: s.n, area: s.area, ohms: ohms, parallel: 1}
}

func parseStrands(s string) (c Conductor, why string) {
	count, diameter, _ := strings.Cut(strings.TrimSuffix(s, " mm"), "/")
	n, err := strconv.Atoi(count)
	d, ok := decimal(diameter)
	if err != nil || !ok || n < 1 || n > 2000 || d < 0.05 || d > 5 {
		return c, "strands are written as number/diameter in mm, such as 65/0.30"
	}
	return conductor(Strands, strconv.Itoa(n)+"/"+show(d), size{area: StrandedArea(n, d)}), ""
}

// MustConductor is ParseConductor for tests and fixed tables; it panics on an
// error.
func MustConductor(text string) Conductor {
	c, err := ParseConductor(text)
	if err != nil {
		panic("circuit: " + err.Error())
	}
	return c
}

// Conductors lists the sizes of a family, smallest first; nil for one whose
// sizes are not listed.
func Conductors(f Family) []Conductor {
	var all []Conductor
	for _, s := range f.sizes() {
		all = append(all, f.of(s))
	}
	return all
}

// Beside is n of the conductor side by side, at most 4.
func (c Conductor) Beside(n int) Conductor {
	c.parallel = min(max(n, 1), mostParallel)
	return c
}

// IsZero reports that there is no conductor.
func (c Conductor) IsZero() bool { return c.family == "" }

// Family is the system of sizes.
func (c Conductor) Family() Family { return c.family }

// Area is the copper in mm2, of all conductors side by side together.
func (c Conductor) Area() float64 { return c.area * float64(c.parallel) }

// OhmsPerMetre is the resistance at t degC: the standard's maximum for the
// metric families, and that of solid copper of the same area for the others.
func (c Conductor) OhmsPerMetre(t float64) float64 {
	if c.IsZero() {
		return 0
	}
	return c.ohms * TemperatureFactor(t) / float64(c.parallel)
}

// String is the text that ParseConductor reads; empty for no conductor.
func (c Conductor) String() string {
	if c.parallel > 1 {
		return strconv.Itoa(c.parallel) + " x " + c.name
	}
	return c.name
}

// MarshalText is String. The error is always nil.
func (c Conductor) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText is ParseConductor, except that no text is no conductor.
func (c *Conductor) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*c = Conductor{}
		return nil
	}
	read, err := ParseConductor(string(b))
	if err != nil {
		return err
	}
	*c = read
	return nil
}

// Cable describes a conductor for an answer.
type Cable struct {
	Text      string   `json:"text"`
	Family    Family   `json:"family"`
	Area      float64  `json:"area_mm2"`
	OhmsPerKm float64  `json:"ohm_per_km"` // at 20 degC
	Digits    int      `json:"digits"`     // that hold
	Notes     []string `json:"notes"`
	Source    Source   `json:"source"`
}

// Describe gives the copper and resistance of the conductor with what its name
// hides.
func (c Conductor) Describe() Cable {
	return Cable{
		Text: c.String(), Family: c.family, Area: c.Area(), OhmsPerKm: 1000 * c.OhmsPerMetre(reference),
		Digits: 2, Notes: c.notes(), Source: c.family.source(),
	}
}

// notes says what a buyer or reader of the size could take it for.
func (c Conductor) notes() []string {
	const stranded = "The resistance is that of solid copper of the area; stranded cable has a little more."
	switch c.family {
	case Metric, MetricRigid:
		return []string{"The resistance is the most that the standard for installation cable allows; it stands in for vehicle cable."}
	case Automotive:
		return []string{"The resistances of ISO 6722 are from memory: read the standard or the cable maker's sheet."}
	case AWG:
		return []string{stranded}
	case SAE:
		return []string{"SAE " + show(c.n) + " has " + figure(c.area, 3) + " mm2, 5 to 11 % less copper than " + show(c.n) + " AWG.", stranded}
	case AutoCable:
		return []string{
			c.name + " has " + figure(c.area, 3) + " mm2 of copper, not " + show(c.n) + " mm2: its number is about the outside diameter in mm. Makers differ, so ask for mm2.",
			stranded,
		}
	case Strands:
		return []string{stranded}
	}
	return nil
}

// Substitution is whether one conductor can stand in for another.
type Substitution struct {
	Asked       Conductor `json:"asked"`
	Offered     Conductor `json:"offered"`
	AskedArea   float64   `json:"asked_mm2"`
	OfferedArea float64   `json:"offered_mm2"`
	Adequate    bool      `json:"adequate"`
	Says        string    `json:"says"`
	Notes       []string  `json:"notes"`
	Sources     []Source  `json:"sources"`
}

// Substitute compares the copper of a conductor offered with that of the one
// asked for. It is adequate if it has no less.
func Substitute(asked, offered Conductor) (Substitution, error) {
	for _, x := range []struct {
		arg string
		c   Conductor
	}{{"/asked", asked}, {"/offered", offered}} {
		if x.c.IsZero() {
			return Substitution{}, &Bad{x.arg, "is not given"}
		}
	}
	s := Substitution{
		Asked: asked, Offered: offered, AskedArea: asked.Area(), OfferedArea: offered.Area(),
		Adequate: !exceeds(asked.Area(), offered.Area()),
		Notes:    offered.notes(), Sources: slices.Compact([]Source{asked.family.source(), offered.family.source()}),
	}
	verb := "is less than"
	if s.Adequate {
		verb = "is at least"
	}
	s.Says = fmt.Sprintf("%s has %s mm2 of copper, which %s the %s mm2 of %s.",
		offered, figure(s.OfferedArea, 3), verb, figure(s.AskedArea, 3), asked)
	return s, nil
}
