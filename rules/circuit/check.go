package circuit

// Status is the outcome of a check.
type Status string

// The outcomes.
const (
	Met           Status = "met"
	NotMet        Status = "not_met"
	Unknown       Status = "unknown" // an input is missing; see Check.Needs
	NotApplicable Status = "not_applicable"
)

// Level is the weight of a check.
type Level string

// The levels: what law says, what a published rating says, and what fitters do.
const (
	Law      Level = "law"
	Rated    Level = "rating"
	Practice Level = "practice"
)

// Check is one requirement held against what is known.
type Check struct {
	ID     string   `json:"id"`
	Level  Level    `json:"level"`
	Status Status   `json:"status"`
	Says   string   `json:"says"`
	Value  *float64 `json:"value,omitempty"`
	Limit  *float64 `json:"limit,omitempty"`
	Unit   string   `json:"unit,omitempty"`
	Needs  []string `json:"needs,omitempty"` // JSON Pointers of what is missing
	Source Source   `json:"source"`
}

// decided is the check with its status: unknown, waiting for need, unless the
// input is known.
func decided(c Check, need string, known, ok bool) Check {
	switch {
	case !known:
		c.Status, c.Needs = Unknown, append(c.Needs, need)
	case ok:
		c.Status = Met
	default:
		c.Status = NotMet
	}
	return c
}
