package picture

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// advance is the room that a character takes, in parts of the size of the text,
// in the wider of the common sans-serif fonts: what a reader's font really takes is
// not known here.
func advance(c rune) float64 {
	switch {
	case strings.ContainsRune(" .,:;'|!ijl", c):
		return 0.34
	case strings.ContainsRune("ftrI()[]/-", c):
		return 0.42
	case strings.ContainsRune("mW%@", c), c >= 0x80:
		return 1.02
	case strings.ContainsRune("wM#&+<>=~^", c):
		return 0.87
	case unicode.IsUpper(c):
		return 0.79
	}
	return 0.64
}

// boldly is how much wider bold text runs.
const boldly = 1.18

// width is the room that text takes, in millimetres.
func width(text string, bold bool) float64 {
	w := 0.0
	for _, c := range text {
		w += advance(c)
	}
	if bold {
		w *= boldly
	}
	return w * size
}

// shorten cuts text to a width, and shows that it did.
func shorten(text string, room float64, bold bool) string {
	if width(text, bold) <= room {
		return text
	}
	for text != "" {
		_, n := utf8.DecodeLastRuneInString(text)
		text = text[:len(text)-n]
		if cut := strings.TrimRight(text, " ") + "\u2026"; width(cut, bold) <= room {
			return cut
		}
	}
	return ""
}

// wrap breaks text into lines of a width; a word that is wider is broken too, so
// that nothing is lost.
func wrap(text string, room float64, bold bool) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		joined := word
		if line != "" {
			joined = line + " " + word
		}
		if width(joined, bold) <= room {
			line = joined
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		line = ""
		for _, c := range word {
			if line != "" && width(line+string(c), bold) > room {
				lines, line = append(lines, line), ""
			}
			line += string(c)
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// atMost is wrap to so many lines, the last cut short where there are more.
func atMost(n int, text string, room float64, bold bool) []string {
	lines := wrap(text, room, bold)
	if len(lines) > n {
		lines[n-1] = shorten(strings.Join(lines[n-1:], " "), room, bold)
		lines = lines[:n]
	}
	return lines
}

// label is a block of text centred beneath or above a point.
type label struct {
	at    float64 // x of what it belongs to
	lines []string
	x     float64 // where it stands, once set apart
}

func (l label) width() float64 {
	w := 0.0
	for _, line := range l.lines {
		w = max(w, width(line, false))
	}
	return w
}

// setApart moves labels sideways, as little as it takes, so that none lies over
// its neighbour or leaves the picture. They are in order from left to right and
// have room together.
func setApart(labels []label) {
	const gap = 3
	edge := margin
	for i := range labels {
		l := &labels[i]
		l.x = max(l.at, edge+l.width()/2)
		edge = l.x + l.width()/2 + gap
	}
	edge = Width - margin
	for i := len(labels) - 1; i >= 0; i-- {
		l := &labels[i]
		l.x = min(l.x, edge-l.width()/2)
		edge = l.x - l.width()/2 - gap
	}
}

// tallest is how many lines the tallest of the labels has.
func tallest(labels []label) int {
	n := 0
	for _, l := range labels {
		n = max(n, len(l.lines))
	}
	return n
}

// capital begins a text with a capital letter.
func capital(text string) string {
	c, n := utf8.DecodeRuneInString(text)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(c)) + text[n:]
}
