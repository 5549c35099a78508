package page_test

import (
	"time"

	"drawgear/api/figure"
	"drawgear/api/page"
)

// sample is a hand-over record of an invented job, with a block of every kind.
func sample() *page.Document {
	return &page.Document{
		Lang:     "en-AU",
		Title:    "Hand-over record: brakes of horse float SY-114",
		Subtitle: "Saltmarsh Yard, bay 2",
		ID:       "fit-2026-0114",
		Hash:     "sha256:9f2c1d6e0b7a48537f10c2d94e6ab85130f7d2c96be8417a05d3fc92b1e6a470",
		Created:  time.Date(2026, 11, 25, 9, 30, 0, 0, time.FixedZone("AEDT", 11*3600)),
		Facts: []page.Pair{
			{Name: "Trailer", Value: "Two-horse float, tandem axle, ATM 2400\u00A0kg, GTM 2200\u00A0kg"},
			{Name: "Place of use", Value: "AU-NSW"},
			{Name: "Date of the answer", Value: "2026-11-25"},
			{Name: "Verdict", Status: page.Status{Kind: page.Unknown, Word: "undetermined"}},
		},
		Cautions: []string{
			"The breakaway battery was not load-tested. Test it before the float leaves the yard.",
			"The rating of the tow ball was read from its stamp; the stamp was worn.",
		},
		Sections: []page.Section{
			{
				Heading: "Findings",
				Blocks: []page.Block{
					page.Paragraph("Each finding names the rule that it comes from. A finding that is unknown waits for the fact that is named; it has neither passed nor failed."),
					page.Table{
						Caption: "What the law and the plates ask",
						RowHead: true,
						Columns: []page.Column{{Head: "Rule", Width: 3}, {Head: "Asked", Width: 3}, {Head: "Limit, kg", Width: 1.5, Number: true}, {Head: "Status", Width: 2.5}},
						Rows: [][]page.Cell{
							{{Text: "Brakes on every wheel"}, {Text: "Trailer over 2000 kg GTM"}, {Text: "2000"}, {Status: page.Status{Kind: page.Met}}},
							{{Text: "Breakaway holds 15 minutes"}, {Text: "Trailer over 2000 kg GTM"}, {Text: "2000"}, {Text: "needs /trailer/breakaway/hold", Status: page.Status{Kind: page.Unknown}}},
							{{Text: "Rating of the shackles"}, {Text: "At least the ATM"}, {Text: "2400"}, {Text: "rated 2000 kg", Status: page.Status{Kind: page.NotMet}}},
							{{Text: "Overrun device"}, {Text: "Only for overrun brakes"}, {}, {Status: page.Status{Kind: page.NotApplicable}}},
						},
					},
					page.Callout{Kind: page.Danger, Text: []string{"Do not tow with shackles rated below the ATM. A shackle that lets go leaves the float with no second hold."}},
				},
				Sections: []page.Section{{
					Heading: "Where the loads act",
					Blocks: []page.Block{
						page.Picture{Figure: loads(), Caption: "Figure 1. Loads of the float at rest, not to scale."},
					},
				}},
			},
			{
				Heading: "Work, step by step",
				Blocks: []page.Block{
					page.Steps{Items: []page.Step{
						{Do: "Chock both wheels on each side and lower the jockey wheel.", Hazard: "The float can roll over your feet.", Measure: "Chocks before the coupling is opened, never after."},
						{Do: "Fit bow shackles with a working load limit of 2400 kg or more.", Reason: "Each must hold the whole trailer alone.", Hazard: "Pinched fingers.", Measure: "Gloves; keep the pin in view.", Record: "The marks on both shackles."},
						{Do: "Pull the breakaway pin and time how long the brakes hold.", Reason: "The rule asks for 15 minutes.", Record: "Minutes held, battery voltage before and after."},
					}},
					page.Callout{Kind: page.Note, Text: []string{"Torque values are in the maker's sheet for the hub.", "Ask for the sheet if it is not in the folder."}},
				},
			},
			{
				Heading: "Proof",
				Blocks: []page.Block{
					page.Checks{
						{Text: "Brake lamps light with the pedal", Mark: page.Done},
						{Text: "Breakaway brakes hold", Mark: page.Failed},
						{Text: "Chains cross under the drawbar", Mark: page.Open},
					},
					page.Pairs{
						{Name: "Battery at rest", Value: "12.6 V"},
						{Name: "Hold time", Value: "measured 11 min", Status: page.Status{Kind: page.NotMet}},
					},
					page.Callout{Kind: page.Warning, Text: []string{"The float must not leave before the breakaway is tested again."}},
					page.Callout{Kind: page.Caution, Text: []string{"Hubs stay hot for half an hour after a brake test."}},
					page.Signatures{
						{Role: "Fitter", Name: "A. Sample", Mark: "by key fit-2", Date: "2026-11-25"},
						{Role: "Customer"},
					},
				},
			},
			{
				Heading: "Sources",
				Blocks: []page.Block{
					page.List{"A source marked second-hand was read in another's words.", "One marked memory needs confirming before anybody relies on it."},
					page.Sources{
						{Key: "S1", Title: "Code of Light Trailers", Publisher: "State of Xx", Edition: "consolidated 2024", Clause: "clause 12(3)", URL: "https://law.example/light-trailers", Checked: "text, 2026-11-20"},
						{Title: "Workshop practice of the yard", Checked: "common practice, no published source"},
					},
				},
			},
		},
	}
}

// loads is a side view with every shape and fill that a drawing uses.
func loads() figure.Figure {
	thin := figure.Stroke{Width: 0.35}
	thick := figure.Stroke{Width: 0.7}
	return figure.Figure{
		Title: "Loads of a horse float",
		Desc: "Side view. The body of the float stands on two wheels. An arrow at the wheels points down: 2100 kg on the axles. " +
			"An arrow at the coupling points down: 200 kg on the ball. The drawbar joins both.",
		Width: 150, Height: 62,
		Shapes: []figure.Shape{
			figure.Rect{At: figure.Point{X: 55, Y: 6}, W: 80, H: 30, Fill: figure.Tint, Stroke: thick},
			figure.Rect{At: figure.Point{X: 55, Y: 30}, W: 80, H: 6, Fill: figure.Rising, Stroke: thin},
			figure.Polygon{Points: []figure.Point{{X: 55, Y: 33}, {X: 16, Y: 35}, {X: 16, Y: 37}, {X: 55, Y: 36}}, Fill: figure.Crossed, Stroke: thin},
			figure.Circle{Centre: figure.Point{X: 16, Y: 36}, Radius: 2.5, Fill: figure.Black},
			figure.Circle{Centre: figure.Point{X: 88, Y: 40}, Radius: 7, Fill: figure.Dots, Stroke: thick},
			figure.Circle{Centre: figure.Point{X: 104, Y: 40}, Radius: 7, Fill: figure.Dots, Stroke: thick},
			figure.Line{Points: []figure.Point{{X: 2, Y: 47}, {X: 148, Y: 47}}, Stroke: figure.Stroke{Width: 0.35, Dash: figure.Chain}},
			figure.Line{Points: []figure.Point{{X: 16, Y: 12}, {X: 16, Y: 32}}, Stroke: thick, Heads: figure.AtEnd},
			figure.Line{Points: []figure.Point{{X: 96, Y: 10}, {X: 96, Y: 28}}, Stroke: thick, Heads: figure.AtEnd},
			figure.Text{At: figure.Point{X: 16, Y: 10}, Size: 4, Anchor: figure.Middle, Bold: true, Words: "Ball 200 kg"},
			figure.Text{At: figure.Point{X: 98, Y: 16}, Size: 4, Bold: true, Words: "Axles 2100 kg"},
			figure.Line{Points: []figure.Point{{X: 16, Y: 53}, {X: 96, Y: 53}}, Stroke: thin, Heads: figure.BothEnds},
			figure.Text{At: figure.Point{X: 56, Y: 59}, Size: 3.5, Anchor: figure.Middle, Words: "4.1 m from ball to middle of axles"},
		},
	}
}
