package page

// Words is what the form itself says, in the language of the document. None may be empty.
type Words struct {
	Page, Of            string // "Page" 2 "of" 7
	Document, Hash      string // the last lines of the web form
	Cautions, NoCaution string // heading, and what stands there if there are none
	NoRows              string // in a table without rows
	Continued           string // where a table's row goes on after the end of a page

	Reason, Hazard, Measure, Record string // within a step
	Name, Signature, Date           string // within a signature
	ToFillIn                        string // told, not shown, where a line waits for a pen
	Verified                        string // of a source

	Met, NotMet, Unknown, NotApplicable string // statuses
	Open, Done, Failed                  string // marks of boxes
	Note, Caution, Warning, Danger      string // kinds of callout

	Unprintable string // the last line of a PDF with characters that its font lacks
}

// English is the words in English.
var English = Words{
	Page: "Page", Of: "of",
	Document: "Document", Hash: "Hash of the record",
	Cautions:  "Cautions",
	NoCaution: "No caution is recorded. That does not mean that there is nothing to beware of.",
	NoRows:    "No entries.",
	Continued: "(continued)",
	Reason:    "Why", Hazard: "Hazard", Measure: "Measure", Record: "Record",
	Name: "Name", Signature: "Signature", Date: "Date",
	ToFillIn: "to be filled in",
	Verified: "Verified",
	Met:      "met", NotMet: "not met", Unknown: "unknown", NotApplicable: "not applicable",
	Open: "to be checked", Done: "done", Failed: "failed",
	Note: "Note", Caution: "Caution", Warning: "Warning", Danger: "Danger",
	Unprintable: "Characters that the print font lacks stand as [U+number]; the web form shows them.",
}

// status is the word for a status.
func (w *Words) status(s Status) string {
	if s.Word != "" {
		return s.Word
	}
	return [statuses]string{"", w.Met, w.NotMet, w.Unknown, w.NotApplicable}[s.Kind]
}

func (w *Words) mark(m Mark) string { return [marks]string{w.Open, w.Done, w.Failed}[m] }

func (w *Words) kind(k Kind) string { return [kinds]string{w.Note, w.Caution, w.Warning, w.Danger}[k] }
