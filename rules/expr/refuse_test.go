package expr_test

import (
	"errors"
	"strings"
	"testing"

	"drawgear/rules/expr"
	"drawgear/rules/quantity"
)

// TestRefusals lists what is outside the profile, with the place and the gist of
// the message.
func TestRefusals(t *testing.T) {
	for _, tt := range []struct{ name, text, want string }{
		{"mass and length", "trailer.length > kg(750)", "1:16: found no matching form of '>' for '(length, mass)'"},
		{"mass and speed added", "trailer.tare + kmh(3) > kg(750)", "1:14: found no matching form of '+' for '(mass, speed)'"},
		{"grade and percentage", "trailer.parking_brake_grade > percent(3)", "1:29: found no matching form of '>' for '(grade, percentage)'"},
		{"mass and number", "trailer.tare > 750", "1:14: found no matching form of '>' for '(mass, int)'"},
		{"mass and decimal", "trailer.tare == 750.5", "1:14: found no matching form of '==' for '(mass, double)'"},
		{"count and decimal equal", "trailer.axle_count == 1.5", "1:20: found no matching form of '=='"},
		{"day and text", `trailer.built > "1988-07-01"`, "1:15: found no matching form of '>' for '(day, string)'"},
		{"branches of two kinds", "(use.abroad ? kg(1) : m(1)) > kg(0)", "1:13: found no matching form of"},
		{"unknown fact", "trailer.tare >= kg(750) &&\n  trailer.axels > kg(2)", "2:10: undeclared reference to 'trailer.axels'"},
		{"part of a path", "trailer.rated", "1:8: undeclared reference to 'trailer.rated'"},
		{"list of masses", "vehicle.rated.axles > kg(1)", "1:14: undeclared reference to 'vehicle.rated.axles'"},
		{"a type as a value", "int == int", "1:1: there is no fact int"},
		{"misspelt word", `trailer.purpose == "boot"`, `1:17: "boot" is not a word of trailer.purpose: utility,`},
		{"misspelt word on the left", `"boot" != trailer.purpose`, `1:8: "boot" is not a word of trailer.purpose`},
		{"misspelt word in a list", `trailer.purpose in ["boat", "caravan"]`, `1:17: "caravan" is not a word of trailer.purpose`},
		{"misspelt word of a list fact", `"un-r31" in trailer.approvals`, `1:10: "un-r31" is not a word of trailer.approvals`},
		{"has", "has(trailer.tare)", "1:4: undeclared reference to 'has'"},
		{"all", `trailer.approvals.all(x, x == "un-r13")`, "1:22: undeclared reference to 'all'"},
		{"exists", "trailer.approvals.exists(x, true)", "1:25: undeclared reference to 'exists'"},
		{"index", `trailer.approvals[0] == "un-r13"`, "1:18: undeclared reference to '[_]'"},
		{"map", `{"a": 1} == {"a": 1}`, "1:1: this form of expression is outside the profile"},
		{"struct", "Rig{a: 1} == Rig{a: 1}", "1:4: undeclared reference to 'Rig'"},
		{"joined texts", `"a" + "b" == trailer.purpose`, "1:5: found no matching form of '+' for '(string, string)'"},
		{"method", `trailer.purpose.startsWith("b")`, "1:27: undeclared reference to 'startsWith'"},
		{"function as method", "trailer.tare.kg() > kg(1)", "1:16: found no matching form of 'kg'"},
		{"division", "trailer.tare / 2 > kg(1)", "1:14: undeclared reference to '/'"},
		{"remainder", "trailer.axle_count % 2 == 0", "1:20: undeclared reference to '%'"},
		{"negative amount", "trailer.tare > kg(-750)", "1:19: negative constants are outside the profile"},
		{"negative number", "-1 < trailer.axle_count", "1:1: negative constants are outside the profile"},
		{"negative decimal", "-1.5 < trailer.axle_count", "1:1: negative constants are outside the profile"},
		{"sign", "trailer.tare > -kg(750)", "1:16: undeclared reference to '-' as a sign"},
		{"16 digits", "trailer.tare > 0.1234567890123456 * vehicle.kerb", "1:16: this number cannot be held exactly"},
		// These read as the doubles 0.4, 10 and 0: the text has to be looked at.
		{"17 digits near 0.4", "trailer.tare > 0.40000000000000001 * vehicle.kerb", "1:16: this number cannot be held exactly"},
		{"18 digits near 10", "9.99999999999999999 * trailer.tare > kg(1)", "1:1: this number cannot be held exactly"},
		{"next to nothing", "trailer.tare > 1e-400 * vehicle.kerb", "1:16: this number cannot be held exactly"},
		{"after wide characters", `"é" == trailer.registered_in || trailer.tare > 0.40000000000000001 * vehicle.kerb`, "1:48: this number cannot be held exactly"},
		{"on the second line", "use.abroad ||\n  0.40000000000000001 * vehicle.kerb > kg(1)", "2:3: this number cannot be held exactly"},
		{"exponent", "trailer.tare > 1e1 * vehicle.kerb", "1:16: this number cannot be held exactly"},
		{"large decimal", "trailer.tare > 1e999 * vehicle.kerb", "1:16: invalid double literal"},
		{"large number", "trailer.axle_count > 9223372036854775808", "1:22: invalid int literal"},
		{"number at the end of 64 bits", "trailer.axle_count > 9223372036854775807", "1:20: these factors and amounts could exceed"},
		{"factor too large", "trailer.tare > 1000000 * vehicle.kerb", "1:24: this factor could exceed what is held exactly"},
		{"factor too fine", "trailer.tare > 0.123456789012 * vehicle.kerb", "1:31: this factor could exceed what is held exactly"},
		{"fractions without a common denominator", "0.901 * vehicle.kerb > 0.3125 * vehicle.unladen", "1:22: these factors and amounts could exceed"},
		{"sum of sums", "90 * vehicle.laden.total > kg(1)", "1:4: this factor could exceed"},
		{"amount too fine", "trailer.tare > kg(0.0000000000001)", "1:18: this amount cannot be held exactly"},
		{"amount too large", "trailer.tare > kg(1000000)", "1:18: this amount cannot be held exactly"},
		{"amount of a fact", "kg(trailer.axle_count) < kg(3)", "1:3: an amount must be written as a number"},
		{"amount of a sum", "kg(2 + 3) < kg(3)", "1:3: an amount must be written as a number"},
		{"product of facts", "trailer.axle_count * trailer.axle_count > 3", "1:20: one side of * must be a plain number"},
		{"product of amounts", "trailer.tare * vehicle.kerb > kg(1)", "1:14: found no matching form of '*'"},
		{"no such day", `trailer.built > date("2021-02-30")`, "1:21: not a day"},
		{"day too far back", `trailer.built > date("1899-12-31")`, "1:21: not a day"},
		{"day of a fact", "trailer.built > date(trailer.registered_in)", "1:21: a day must be written out"},
		{"difference of days", "as_of - trailer.built > 3", "1:7: found no matching form of '-' for '(day, day)'"},
		{"timestamp", `timestamp("2020-01-01T00:00:00Z") < timestamp("2021-01-01T00:00:00Z")`, "1:10: undeclared reference to 'timestamp'"},
		{"duration", `duration("1s") < duration("2s")`, "1:9: undeclared reference to 'duration'"},
		{"size", "size(trailer.approvals) > 0", "1:5: undeclared reference to 'size'"},
		{"type", "type(1) == int", "1:5: undeclared reference to 'type'"},
		{"three of min", "min(1, 2, 3) == 1", "1:4: found no matching form of 'min'"},
		{"list on the left", `["boat"] == trailer.approvals`, "1:1: this form of expression is outside the profile"},
		{"list in a list", `["boat"] in trailer.approvals`, "1:10: found no matching form of '@in'"},
		{"list fact in a list", `trailer.approvals in ["boat"]`, "1:19: found no matching form of '@in'"},
		{"lists compared", "trailer.approvals == trailer.approvals", "1:19: lists cannot be compared; use `in`"},
		{"empty list", "trailer.purpose in []", "1:17: write a fact on the left and at least one word"},
		{"constant in a list", `"boat" in ["boat"]`, "1:8: write a fact on the left"},
		{"fact in a list fact", "trailer.purpose in trailer.approvals", "1:17: write a word on the left and a list fact on the right"},
		{"list of facts", "trailer.purpose in [trailer.hitch]", "1:28: the list must hold words written out"},
		{"words in order", `trailer.purpose < "boat"`, "1:17: found no matching form of '<' for '(string, string)'"},
		{"words chosen", `(use.abroad ? "boat" : "camping") == trailer.purpose`, "1:13: this needs amounts or numbers"},
		{"constants compared", `"a" == "a"`, "1:5: one side must be a fact"},
		{"null", "null == null", "1:1: this literal is outside the profile"},
		{"bytes", `b"a" == b"a"`, "1:1: this literal is outside the profile"},
		{"unsigned", "1u < 2u", "1:4: found no matching form of '<'"},
		{"amount as condition", "trailer.tare", "1:1: this must be a condition, true or false"},
		{"defined nowhere", "named.heavy", "1:1: undeclared reference to 'named'"},
		{"empty", "", "1:1: the expression is empty"},
		{"space", " \n ", "1:1: the expression is empty"},
		{"unfinished", "trailer.tare >", "1:15: Syntax error"},
		{"bracket left open", "trailer.tare > kg(750", "1:22: Syntax error: missing ')'"},
		{"two expressions", "use.abroad use.abroad", "1:12: Syntax error"},
		{"strange character", "use.abroad && @", "1:15: Syntax error"},
		{"too long", "use.abroad" + strings.Repeat(" ", expr.MaxLength), "1:1: the expression is longer than 1000 bytes"},
		{"too deep", strings.Repeat("(", 100) + "true" + strings.Repeat(")", 100), "1:1: expression recursion limit exceeded"},
		{"too many parts", strings.Repeat("1<2||", 99) + "1<2", ": the expression has more than 200 parts"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p, err := expr.CompileCondition(tt.text)
			if err == nil {
				t.Fatalf("%s compiles: %s", tt.text, p.Text())
			}
			var at *expr.Error
			if !errors.As(err, &at) || at.Line < 1 || at.Column < 1 || at.Message == "" {
				t.Fatalf("not an error with a place: %#v", err)
			}
			if got := err.Error(); !strings.HasPrefix(got, tt.want) && (tt.want[0] != ':' || !strings.HasSuffix(got, tt.want[2:])) {
				t.Errorf("%s\n got %s\nwant %s", tt.text, got, tt.want)
			}
		})
	}
}

// TestAmountRefusals wants the dimension that the place of the amount has.
func TestAmountRefusals(t *testing.T) {
	for _, tt := range []struct {
		text string
		dim  quantity.Dimension
		want string
	}{
		{"m(3)", quantity.Mass, "1:1: this must be an amount of mass"},
		{"kg(3)", quantity.Length, "1:1: this must be an amount of length"},
		{"percent(3)", quantity.Grade, "1:1: this must be an amount of grade"},
		{"3", quantity.Mass, "1:1: this must be an amount of mass"},
		{"trailer.tare > kg(1)", quantity.Mass, "1:1: this must be an amount of mass"},
		{"1.5 * (trailer.tare", quantity.Mass, "1:20: Syntax error"},
	} {
		if _, err := expr.CompileAmount(tt.text, tt.dim); err == nil || !strings.HasPrefix(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %s", tt.text, err, tt.want)
		}
	}
}
