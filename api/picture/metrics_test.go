package picture

import (
	"fmt"
	"strings"

	"drawgear/api/figure"
)

// Advance widths of the characters from the space to the tilde, in thousandths of
// the size of the text. Source: the hmtx tables of DejaVu Sans and DejaVu Sans Bold
// 2.37, the widest sans-serif that a reader commonly has; other characters are
// taken to be as wide as they are high.
var plainWidths = [95]float64{
	318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636,
	636, 636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632,
	575, 775, 752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685,
	611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579,
	278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
}

var boldWidths = [95]float64{
	348, 456, 521, 838, 696, 1002, 872, 306, 457, 457, 523, 838, 380, 415, 380, 365, 696, 696, 696,
	696, 696, 696, 696, 696, 696, 696, 400, 400, 838, 838, 838, 580, 1000, 774, 762, 734, 830, 683,
	683, 821, 837, 372, 372, 775, 637, 995, 837, 850, 733, 850, 770, 720, 682, 812, 774, 1103, 771,
	724, 725, 457, 365, 457, 838, 500, 500, 675, 716, 593, 716, 678, 435, 716, 712, 343, 343, 665,
	343, 1042, 712, 687, 716, 716, 493, 595, 478, 712, 652, 924, 645, 652, 582, 712, 365, 712, 838,
}

func printedWidth(t figure.Text) float64 {
	w := 0.0
	for _, c := range t.Words {
		switch {
		case c < ' ' || c > '~':
			w += 1000
		case t.Bold:
			w += boldWidths[c-' ']
		default:
			w += plainWidths[c-' ']
		}
	}
	return w / 1000 * t.Size
}

// box is where ink of a text can be.
type box struct{ left, top, right, bottom float64 }

func boxOf(t figure.Text) box {
	w := printedWidth(t)
	left := t.At.X
	switch t.Anchor {
	case figure.Middle:
		left -= w / 2
	case figure.End:
		left -= w
	}
	return box{left, t.At.Y - 0.76*t.Size, left + w, t.At.Y + 0.24*t.Size}
}

func texts(f figure.Figure) []figure.Text {
	var out []figure.Text
	for _, s := range f.Shapes {
		if t, ok := s.(figure.Text); ok {
			out = append(out, t)
		}
	}
	return out
}

// words are all texts of a picture, one a line.
func words(f figure.Figure) string {
	var b strings.Builder
	for _, t := range texts(f) {
		b.WriteString(t.Words + "\n")
	}
	return b.String()
}

// faults are what is wrong with how a picture is laid out.
func faults(f figure.Figure) []string {
	var out []string
	if err := f.Check(); err != nil {
		out = append(out, err.Error())
	}
	all := texts(f)
	for i, t := range all {
		b := boxOf(t)
		if t.Size < 2.5 {
			out = append(out, fmt.Sprintf("%q is too small to read", t.Words))
		}
		if b.left < 0 || b.top < 0 || b.right > f.Width || b.bottom > f.Height {
			out = append(out, fmt.Sprintf("%q leaves the picture: %+v", t.Words, b))
		}
		for _, u := range all[:i] {
			if c := boxOf(u); b.left < c.right && c.left < b.right && b.top < c.bottom && c.top < b.bottom {
				out = append(out, fmt.Sprintf("%q and %q overlap", t.Words, u.Words))
			}
		}
	}
	return out
}
