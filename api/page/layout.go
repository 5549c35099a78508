package page

import (
	"strconv"

	"drawgear/api/figure"
)

// Measures of a sheet in millimetres.
const (
	marginSide = 18
	marginTop  = 16
	marginFoot = 12 // below the footer
	footGap    = 4  // between text and footer

	blockGap = 3   // between blocks
	padCell  = 1.3 // within the fields of tables
	leastBit = 18  // a long block begins only where this much room is left
)

// The sizes of type.
var (
	titleStyle    = style{20, 8.4}
	subtitleStyle = style{12, 5.4}
	bodyStyle     = style{10, 4.7}
	tableStyle    = style{9, 4.1}
	footStyle     = style{8, 3.6}
	headingStyles = [...]style{{15, 6.6}, {12, 5.6}, {10.5, 5}} // of levels 1, 2, and 3 and on
)

// layout sets a document on sheets of paper. Everything is a row of cells of
// lines; a row that does not fit goes on the next sheet, or is cut between lines.
type layout struct {
	words       *Words
	width       float64 // of the text
	top, bottom float64 // of the text
	sheets      []sheet
	y           float64 // where the next row begins
	fresh       bool    // nothing but a repeated header stands on the sheet
	gap         float64 // room asked for before it, left out at the top of a sheet
	headings    []heading
	header      *row // of the table that is being set
	lossy       bool
}

// sheet is what is painted on one page.
type sheet []func(c *canvas)

// heading waits for what follows it, so that it never ends a page.
type heading struct {
	row  row
	gap  float64
	text string // for the outline; empty to stay out of it
}

// row is a horizontal strip.
type row struct {
	cells []cell
	pad   float64 // above and below the lines
	whole bool    // not cut if it fits on a page of its own
	again string  // what the first cell says where the row goes on and the cell has ended
	// frame paints around a piece of the row; ends says whether it is the last.
	frame func(c *canvas, y, height float64, ends bool)
}

// cell is a column of lines within a row.
type cell struct {
	x, width float64 // from the left edge of the text
	lines    []line
	right    bool // lines are set to the right
}

func newLayout(d *Document, p Paper, footer float64) *layout {
	width, height := p.size()
	return &layout{
		words:  d.words(),
		width:  width - 2*marginSide,
		top:    marginTop,
		bottom: height - marginFoot - footer - footGap,
		sheets: []sheet{nil},
		y:      marginTop,
		fresh:  true,
	}
}

func (l *layout) room() float64 { return l.bottom - l.top }

func (l *layout) paint(f func(c *canvas)) {
	last := len(l.sheets) - 1
	l.sheets[last] = append(l.sheets[last], f)
}

func (l *layout) space(mm float64) { l.gap = max(l.gap, mm) }

func (l *layout) nextSheet() {
	l.sheets = append(l.sheets, nil)
	l.y = l.top
	if l.header != nil {
		l.put(*l.header, true)
	}
	l.fresh = true
}

func (c cell) height() float64 {
	h := 0.0
	for _, ln := range c.lines {
		h += ln.height
	}
	return h
}

func (r row) height() float64 {
	h := 0.0
	for _, c := range r.cells {
		h = max(h, c.height())
	}
	return h + 2*r.pad
}

// add places a row.
func (l *layout) add(r row) {
	height := r.height()
	if !l.fits(height) && !l.fresh {
		// What is short moves to the next sheet. What is long begins here
		// if there is room to speak of.
		left := l.bottom - l.y - l.gap - l.waiting()
		if height <= l.room()/2 || r.whole && height <= l.room()-l.waiting()-l.headerHeight() || left < leastBit {
			l.nextSheet()
		}
	}
	l.placeHeadings()
	l.y += l.takeGap()
	l.spread(r)
}

// spread puts a row, over as many sheets as it takes.
func (l *layout) spread(r row) {
	for {
		piece, rest, ended := r.cut(l.bottom-l.y, l.fresh)
		if piece.cells != nil {
			l.put(piece, ended)
		}
		if ended {
			return
		}
		r = rest
		l.nextSheet()
	}
}

// fits says whether a height has room on the sheet with what waits before it.
func (l *layout) fits(height float64) bool {
	return l.y+l.gap+l.waiting()+height <= l.bottom
}

func (l *layout) headerHeight() float64 {
	if l.header == nil {
		return 0
	}
	return l.header.height()
}

func (l *layout) takeGap() float64 {
	gap := l.gap
	l.gap = 0
	if l.fresh {
		return 0
	}
	return gap
}

// waiting is the height of the headings that wait.
func (l *layout) waiting() float64 {
	h := 0.0
	for _, w := range l.headings {
		h += w.gap + w.row.height()
	}
	return h
}

func (l *layout) placeHeadings() {
	waiting := l.headings
	l.headings = nil
	after := l.gap
	for _, h := range waiting {
		l.gap = h.gap
		l.y += l.takeGap()
		y := l.y
		if h.text != "" {
			l.paint(func(c *canvas) { c.bookmark(h.text, y) })
		}
		l.spread(h.row)
	}
	l.gap = after
}

// cut takes as much of the row as has room; a whole line of each cell where
// it must take something. The piece has no cells if nothing fits.
func (r row) cut(room float64, must bool) (piece, rest row, ended bool) {
	piece, rest = r, r
	piece.cells, rest.cells = make([]cell, len(r.cells)), make([]cell, len(r.cells))
	room -= 2 * r.pad
	taken := 0
	for i, c := range r.cells {
		n, h := 0, 0.0
		for n < len(c.lines) && (h+c.lines[n].height <= room || must && n == 0) {
			h += c.lines[n].height
			n++
		}
		taken += n
		piece.cells[i], rest.cells[i] = c, c
		piece.cells[i].lines, rest.cells[i].lines = c.lines[:n], c.lines[n:]
	}
	if taken == 0 {
		return row{}, r, false
	}
	left := 0
	for _, c := range rest.cells {
		left += len(c.lines)
	}
	if first := &rest.cells[0]; left > 0 && r.again != "" && len(first.lines) == 0 {
		first.lines = tableStyle.wrap([]span{{text: r.again}}, first.width)
	}
	return piece, rest, left == 0
}

// put paints a row at the present place.
func (l *layout) put(r row, ends bool) {
	y, height := l.y, r.height()
	l.paint(func(c *canvas) {
		if r.frame != nil {
			r.frame(c, y, height, ends)
		}
		for _, cl := range r.cells {
			at := y + r.pad
			for _, ln := range cl.lines {
				x := marginSide + cl.x
				if cl.right {
					x += cl.width - ln.width
				}
				c.line(x, at, ln)
				at += ln.height
			}
		}
	})
	l.y += height
	l.fresh = false
}

// text makes a span.
func (l *layout) text(text string, bold bool) span {
	out, lossy := printable(text)
	l.lossy = l.lossy || lossy
	return span{text: out, bold: bold}
}

// status makes the shape and the word of a status, and nothing of none.
func (l *layout) status(s Status) []span {
	if s.Kind == NoStatus {
		return nil
	}
	return []span{{symbol: statusSymbols[s.Kind]}, l.text(l.words.status(s), true)}
}

// field is a text with its status before it.
func (l *layout) field(text string, s Status) []span {
	spans := l.status(s)
	if spans != nil && text != "" {
		spans = append(spans, span{text: " \u2013 "})
	}
	return append(spans, l.text(text, false))
}

// full is a row of one cell over the width of the text.
func (l *layout) full(s style, spans ...span) row {
	return row{cells: []cell{{width: l.width, lines: s.wrap(spans, l.width)}}}
}

// labelled is a row with something short at the left and text beside it.
func labelled(s style, indent, width float64, label, text []span) row {
	return row{cells: []cell{
		{width: indent, lines: s.wrap(label, indent)},
		{x: indent, width: width - indent, lines: s.wrap(text, width-indent)},
	}}
}

func (l *layout) document(d *Document) {
	l.add(l.full(titleStyle, l.text(d.Title, true)))
	if d.Subtitle != "" {
		l.space(1)
		l.add(l.full(subtitleStyle, l.text(d.Subtitle, false)))
	}
	l.space(blockGap)
	Pairs(d.Facts).layOut(l)
	l.cautions(d.Cautions)
	l.sections(d.Sections, 1)
	if l.lossy {
		l.space(2 * blockGap)
		l.add(l.full(footStyle, l.text(l.words.Unprintable, false)))
	}
	l.placeHeadings() // of sections that hold nothing
}

func (l *layout) cautions(cautions []string) {
	l.heading(l.words.Cautions, 1)
	if len(cautions) == 0 {
		Paragraph(l.words.NoCaution).layOut(l)
		return
	}
	l.boxed(kindSymbols[Caution], "", cautions, 0.5)
}

func (l *layout) sections(sections []Section, level int) {
	for _, s := range sections {
		l.heading(s.Heading, level)
		for _, b := range s.Blocks {
			b.layOut(l)
			l.space(blockGap)
		}
		l.sections(s.Sections, level+1)
	}
}

func (l *layout) heading(text string, level int) {
	s := headingStyles[min(level, len(headingStyles))-1]
	r := l.full(s, l.text(text, true))
	r.pad = 0.8
	if level == 1 {
		r.frame = func(c *canvas, y, height float64, ends bool) {
			if ends {
				c.rule(marginSide, y+height, marginSide+l.width, y+height, 0.4, figure.Solid)
			}
		}
	}
	plain, _ := printable(text)
	l.headings = append(l.headings, heading{row: r, gap: s.lead, text: plain})
	l.gap = 1.5
}

func (p Paragraph) layOut(l *layout) { l.add(l.full(bodyStyle, l.text(string(p), false))) }

func (items List) layOut(l *layout) {
	for _, item := range items {
		l.add(row{cells: []cell{{width: l.width, lines: l.item(item, l.width)}}})
		l.space(1)
	}
}

// item is a text after a bullet.
func (l *layout) item(text string, width float64) []line {
	const indent = 4.0
	lines := bodyStyle.wrap([]span{l.text(text, false)}, width-indent)
	for i := range lines {
		for k := range lines[i].runs {
			lines[i].runs[k].x += indent
		}
	}
	lines[0].runs = append(lines[0].runs, run{text: "\u2022"})
	return lines
}

func (p Pairs) layOut(l *layout) {
	names := l.width * 0.3
	for _, pair := range p {
		r := row{pad: 0.9, cells: []cell{
			{width: names - 3, lines: bodyStyle.wrap([]span{l.text(pair.Name, true)}, names-3)},
			{x: names, width: l.width - names, lines: bodyStyle.wrap(l.field(pair.Value, pair.Status), l.width-names)},
		}}
		r.frame = func(c *canvas, y, height float64, _ bool) {
			c.rule(marginSide, y+height, marginSide+l.width, y+height, 0.15, figure.Solid)
		}
		l.add(r)
	}
}

func (t Table) layOut(l *layout) {
	caption := l.full(bodyStyle, l.text(t.Caption, true))
	caption.pad = 0.8
	l.headings = append(l.headings, heading{row: caption, gap: max(l.gap, 1)})
	l.gap = 0

	shares := t.shares()
	head := l.tableRow(t, shares, func(i int) []span { return []span{l.text(t.Columns[i].Head, true)} })
	grid := head.frame
	head.frame = func(c *canvas, y, height float64, ends bool) {
		c.tint(marginSide, y, l.width, height)
		grid(c, y, height, ends)
	}
	// The header waits for the first row as headings do.
	l.headings = append(l.headings, heading{row: head})
	repeat := head.height() <= l.room()/3
	for n, fields := range t.Rows {
		r := l.tableRow(t, shares, func(i int) []span {
			if t.RowHead && i == 0 {
				return append(l.status(fields[i].Status), l.text(fields[i].Text, true))
			}
			return l.field(fields[i].Text, fields[i].Status)
		})
		r.again, _ = printable(l.words.Continued)
		l.add(r)
		if n == 0 && repeat {
			l.header = &head
		}
	}
	l.header = nil
	if len(t.Rows) == 0 {
		none := l.full(tableStyle, l.text(l.words.NoRows, false))
		none.pad = padCell
		l.add(none)
	}
}

func (l *layout) tableRow(t Table, shares []float64, field func(i int) []span) row {
	r := row{pad: padCell, cells: make([]cell, len(shares))}
	edges := []float64{0}
	x := 0.0
	for i, share := range shares {
		width := share * l.width
		inner := max(width-2*padCell, 0)
		r.cells[i] = cell{x: x + padCell, width: inner, lines: tableStyle.wrap(field(i), inner), right: t.Columns[i].Number}
		x += width
		edges = append(edges, x)
	}
	r.frame = func(c *canvas, y, height float64, ends bool) {
		for _, edge := range edges {
			c.rule(marginSide+edge, y, marginSide+edge, y+height, 0.2, figure.Solid)
		}
		c.rule(marginSide, y, marginSide+l.width, y, 0.2, figure.Solid)
		foot := figure.Solid
		if !ends {
			foot = figure.Dashed
		}
		c.rule(marginSide, y+height, marginSide+l.width, y+height, 0.2, foot)
	}
	return r
}

func (s Steps) layOut(l *layout) {
	first := max(s.First, 1)
	for i, step := range s.Items {
		var lines []line
		const indent = 9.0
		width := l.width - indent
		lines = append(lines, bodyStyle.wrap([]span{l.text(step.Do, true)}, width)...)
		for _, part := range []struct {
			name, text string
			symbol     *figure.Figure
		}{
			{l.words.Reason, step.Reason, nil},
			{l.words.Hazard, step.Hazard, kindSymbols[Warning]},
			{l.words.Measure, step.Measure, nil},
			{l.words.Record, step.Record, nil},
		} {
			if part.text == "" {
				continue
			}
			spans := []span{l.text(part.name+": ", true), l.text(part.text, false)}
			if part.symbol != nil {
				spans = append([]span{{symbol: part.symbol}}, spans...)
			}
			lines = append(lines, bodyStyle.wrap(spans, width)...)
		}
		l.add(row{whole: true, cells: []cell{
			{width: indent, lines: bodyStyle.wrap([]span{l.text(strconv.Itoa(first+i)+".", true)}, indent)},
			{x: indent, width: width, lines: lines},
		}})
		l.space(2)
	}
}

func (checks Checks) layOut(l *layout) {
	for _, one := range checks {
		text := []span{l.text(one.Text, false)}
		if one.Mark != Open {
			text = append([]span{l.text(l.words.mark(one.Mark), true), {text: " \u2013 "}}, text...)
		}
		l.add(labelled(bodyStyle, 6, l.width, []span{{symbol: markSymbols[one.Mark]}}, text))
		l.space(1.6)
	}
}

func (o Callout) layOut(l *layout) {
	frame := [kinds]float64{0.2, 0.5, 0.9, 1.4}[o.Kind]
	l.boxed(kindSymbols[o.Kind], l.words.kind(o.Kind), o.Text, frame)
}

// boxed is a frame with a symbol, a word if there is one, and paragraphs; the
// graver, the thicker the frame.
func (l *layout) boxed(symbol *figure.Figure, word string, text []string, frame float64) {
	const indent, inset = 7.0, 3.0
	width := l.width - 2*inset - indent
	var lines []line
	if word != "" {
		lines = bodyStyle.wrap([]span{l.text(word, true)}, width)
	}
	if len(text) == 1 {
		lines = append(lines, bodyStyle.wrap([]span{l.text(text[0], false)}, width)...)
	} else {
		for _, paragraph := range text {
			lines = append(lines, l.item(paragraph, width)...)
		}
	}
	r := row{whole: true, pad: 2 + frame, cells: []cell{
		{x: inset, width: indent, lines: []line{boxStyle.set(boxStyle.glyphs([]span{{symbol: symbol}}))}},
		{x: inset + indent, width: width, lines: lines},
	}}
	r.frame = func(c *canvas, y, height float64, _ bool) {
		c.frame(marginSide, y, l.width, height, frame)
	}
	l.add(r)
	l.space(blockGap)
}

// boxStyle is that of the symbol in a frame: larger than the text, on its first line.
var boxStyle = style{14, 4.7}

func (s Signatures) layOut(l *layout) {
	const gap, narrow = 6.0, 32.0
	wide := (l.width - narrow - 2*gap) / 2
	for _, one := range s {
		role := l.full(bodyStyle, l.text(one.Role, true))
		l.headings = append(l.headings, heading{row: role, gap: l.gap})
		l.gap = 0

		places := []struct {
			name, value string
			width       float64
		}{
			{l.words.Name, one.Name, wide},
			{l.words.Signature, one.Mark, wide},
			{l.words.Date, one.Date, narrow},
		}
		var values [][]line
		most := 2 // lines: room for a pen
		for _, p := range places {
			set := bodyStyle.wrap([]span{l.text(p.value, false)}, p.width)
			values = append(values, set)
			most = max(most, len(set))
		}
		r := row{whole: true}
		x := 0.0
		for i, p := range places {
			// Values stand on one level, their names beneath the rule.
			lines := make([]line, most-len(values[i]), most+1)
			for k := range lines {
				lines[k].height = bodyStyle.lead
			}
			lines = append(lines, values[i]...)
			lines = append(lines, footStyle.wrap([]span{l.text(p.name, false)}, p.width)...)
			r.cells = append(r.cells, cell{x: x, width: p.width, lines: lines})
			x += p.width + gap
		}
		r.frame = func(c *canvas, y, height float64, ends bool) {
			if !ends {
				return
			}
			for _, cl := range r.cells {
				left, level := marginSide+cl.x, y+height-footStyle.lead
				c.rule(left, level, left+cl.width, level, 0.3, figure.Solid)
			}
		}
		l.add(r)
		l.space(blockGap)
	}
}

func (p Picture) layOut(l *layout) {
	fig := p.Figure
	for _, s := range fig.Shapes {
		if t, ok := s.(figure.Text); ok {
			l.text(t.Words, t.Bold) // to learn whether it can be printed
		}
	}
	scale := min(1, l.width/fig.Width, l.room()*0.7/fig.Height)
	lines := []line{{height: fig.Height*scale + 1, width: fig.Width * scale, picture: &fig}}
	if p.Caption != "" {
		lines = append(lines, tableStyle.wrap([]span{l.text(p.Caption, false)}, l.width)...)
	}
	l.add(row{whole: true, cells: []cell{{width: l.width, lines: lines}}})
}

func (s Sources) layOut(l *layout) {
	for _, source := range s {
		var spans []span
		if source.Key != "" {
			spans = append(spans, l.text("["+source.Key+"] ", false))
		}
		spans = append(spans, l.text(source.Title, true))
		for _, part := range []string{source.Publisher, source.Edition, source.Clause, source.URL} {
			if part != "" {
				spans = append(spans, l.text(", "+part, false))
			}
		}
		spans = append(spans, l.text(". "+l.words.Verified+": "+source.Checked, false))
		l.add(l.full(tableStyle, spans...))
		l.space(1.2)
	}
}
