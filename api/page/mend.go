package page

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
)

// patch puts text in the place of the bytes from start to end.
type patch struct {
	start, end int
	text       string
}

// The library names the characters of a font with one range over all 65536. A
// range may only run over the last byte (ISO 32000-1, 9.10.3, second-hand), and a
// reader that goes by that copies wrong letters out of anything but Latin.
const (
	wideRange    = "1 beginbfrange\n<0000> <FFFF> <0000>\nendbfrange"
	streamLength = "<</Length "
	streamStart  = ">>\nstream\n"
	streamEnd    = "\nendstream"
)

// narrowRanges are ranges for the characters that the fonts have, 256 at a time.
var narrowRanges = sync.OnceValue(func() string {
	var pages []rune
	for r := range faceOf(false).widths {
		pages = append(pages, r>>8)
	}
	slices.Sort(pages)
	pages = slices.Compact(pages) // well below the 100 that one list may have
	var b strings.Builder
	fmt.Fprintf(&b, "%d beginbfrange\n", len(pages))
	for _, p := range pages {
		fmt.Fprintf(&b, "<%02X00> <%02[1]XFF> <%02[1]X00>\n", p)
	}
	b.WriteString("endbfrange")
	return b.String()
})

// mend sets right what the library wrote: the names of characters, the version
// that a document with a language needs, and that a window shows the title of the
// document rather than the name of the file.
func mend(pdf []byte) ([]byte, error) {
	patches, err := namesPatches(pdf)
	if err != nil {
		return nil, err
	}
	for _, p := range []struct{ old, text string }{
		{"%PDF-1.3\n", "%PDF-1.4\n"},
		{"\n/Type /Catalog\n", "\n/Type /Catalog\n/ViewerPreferences <</DisplayDocTitle true>>\n"},
	} {
		at := bytes.LastIndex(pdf, []byte(p.old))
		if at < 0 {
			return nil, fmt.Errorf("the PDF has no %q to mend", p.old)
		}
		patches = append(patches, patch{at, at + len(p.old), p.text})
	}
	slices.SortFunc(patches, func(a, b patch) int { return cmp.Compare(a.start, b.start) })
	return apply(pdf, patches)
}

// namesPatches replaces the stream that holds the names, for each font.
func namesPatches(pdf []byte) ([]patch, error) {
	var patches []patch
	for from := 0; ; {
		at := bytes.Index(pdf[from:], []byte(wideRange))
		if at < 0 {
			break
		}
		at += from
		start := bytes.LastIndex(pdf[:at], []byte(streamLength))
		body := bytes.LastIndex(pdf[:at], []byte(streamStart)) + len(streamStart)
		end := bytes.Index(pdf[at:], []byte(streamEnd)) + at
		if start < 0 || body < start || end < at {
			return nil, errors.New("the names of characters stand in no stream")
		}
		names := strings.Replace(string(pdf[body:end]), wideRange, narrowRanges(), 1)
		patches = append(patches, patch{start, end, fmt.Sprintf("%s%d%s%s", streamLength, len(names), streamStart, names)})
		from = end
	}
	if len(patches) != len(faces()) {
		return nil, fmt.Errorf("the PDF names the characters of %d fonts", len(patches))
	}
	return patches, nil
}

// apply makes the patches, in order, and moves the offsets in the table of
// objects with them.
func apply(pdf []byte, patches []patch) ([]byte, error) {
	moved := func(offset int) int {
		to := offset
		for _, p := range patches {
			if p.start < offset {
				to += len(p.text) - (p.end - p.start)
			}
		}
		return to
	}
	const startMark = "startxref\n"
	mark := bytes.LastIndex(pdf, []byte(startMark))
	var table, count int
	if mark < 0 {
		return nil, errors.New("the PDF has no table of objects")
	}
	if _, err := fmt.Sscanf(string(pdf[mark+len(startMark):]), "%d", &table); err != nil {
		return nil, fmt.Errorf("find the table of objects of the PDF: %w", err)
	}
	if table < 0 || table > mark {
		return nil, errors.New("the table of objects of the PDF is nowhere")
	}
	if _, err := fmt.Sscanf(string(pdf[table:mark]), "xref\n0 %d\n", &count); err != nil {
		return nil, fmt.Errorf("read the table of objects of the PDF: %w", err)
	}
	entries := table + len(fmt.Sprintf("xref\n0 %d\n", count))
	const entryLength = 20
	if entries+count*entryLength > mark {
		return nil, errors.New("the table of objects of the PDF is cut short")
	}

	out := make([]byte, 0, moved(len(pdf)))
	from := 0
	for _, p := range patches {
		out = append(append(out, pdf[from:p.start]...), p.text...)
		from = p.end
	}
	out = append(out, pdf[from:entries]...)
	for i := range count {
		entry := string(pdf[entries+i*entryLength:][:entryLength])
		var offset int
		if _, err := fmt.Sscanf(entry, "%010d 00000 n", &offset); err == nil {
			entry = fmt.Sprintf("%010d%s", moved(offset), entry[10:])
		}
		out = append(out, entry...)
	}
	out = append(out, pdf[entries+count*entryLength:mark]...)
	return fmt.Appendf(out, "%s%d\n%%%%EOF\n", startMark, moved(table)), nil
}
