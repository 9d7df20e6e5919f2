package alerts

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// columns is the width of the plain sheet.
const columns = 80

// Text is the sheet for a terminal or a plain printer: 80 columns, boxes to tick, no colour.
func (s Sheet) Text() string {
	p := &paper{}
	o := s.Order
	p.line(fmt.Sprintf("WORK ORDER %s   UNIT %s", o.ID, o.Unit))
	p.pair("VIN", o.VIN)
	p.pair("Depot", s.Depot)
	p.pair("Engine family", s.EngineFamily)
	p.pair("Fuel", s.Fuel)
	p.pair("In by", s.InBy())
	p.pair("Made", day(o.CreatedAt, s.Zone)+", "+o.CreatedBy)
	p.head("SAFETY FIRST")
	for _, c := range s.Safety {
		p.item("! ", c.Text)
	}
	p.wrap("", "", s.Deference)
	p.head("COMPLAINT")
	p.items("", s.Complaint)
	if len(s.Recent) > 0 {
		p.head("RECENT SHOP WORK AND REPORTS: LOOK THERE FIRST")
		p.items("- ", s.Recent)
	}
	p.head("EVIDENCE")
	for _, v := range s.Evidence {
		p.item("- ", v.Line(s.Zone))
	}
	p.items("- ", s.Confounds)
	p.head("CHECKS, IN THIS ORDER")
	p.item("! ", s.DoNotClear)
	part := ""
	for i, st := range s.Steps {
		if st.For != part {
			part = st.For
			p.wrap("", "", part)
		}
		p.item(fmt.Sprintf("[ ] %2d. ", i+1), fmt.Sprintf("(%s) %s", st.Kind, st.Do))
		if st.Pass != "" {
			p.wrap("        ", "        ", "Good: "+st.Pass)
		}
		p.line("        Result: " + strings.Repeat("_", 40))
	}
	p.head("NEEDS")
	p.items("- ", s.Needs)
	p.items("- ", s.Hours)
	if len(s.Equipment) > 0 {
		p.item("- ", "Equipment: "+strings.Join(s.Equipment, "; ")+".")
	}
	p.head("WHAT PROVES IT FIXED")
	p.items("- ", s.Proof)
	p.head("WARRANTY")
	p.items("- ", s.Warranty)
	p.head("TO FILL IN")
	for _, f := range []string{"Cause", "Correction", "Parts", "Hours", "Odometer", "Technician, date"} {
		p.line(fmt.Sprintf("%-18s%s", f+":", strings.Repeat("_", 50)))
	}
	p.line("[ ] cause found  [ ] nothing found  [ ] something else found  [ ] could not test")
	p.line("Codes cleared [ ] yes [ ] no     Control unit reprogrammed [ ] yes [ ] no")
	p.line("")
	p.items("", []string{"Facts: " + strings.Join(s.Sources, "; ") + "."})
	return p.b.String()
}

// paper takes lines of at most the sheet's width.
type paper struct{ b strings.Builder }

func (p *paper) line(s string) { p.b.WriteString(strings.TrimRight(s, " ") + "\n") }

func (p *paper) head(s string) {
	p.line("")
	p.line(s)
	p.line(strings.Repeat("-", utf8.RuneCountInString(s)))
}

func (p *paper) pair(name, value string) {
	if value != "" {
		p.wrap(fmt.Sprintf("%-15s", name+":"), strings.Repeat(" ", 15), value)
	}
}

func (p *paper) items(mark string, list []string) {
	for _, s := range list {
		p.item(mark, s)
	}
}

func (p *paper) item(mark, text string) {
	p.wrap(mark, strings.Repeat(" ", utf8.RuneCountInString(mark)), text)
}

// wrap breaks a text at spaces; a longer word keeps a line of its own.
func (p *paper) wrap(first, rest, text string) {
	line, empty := first, true
	for _, w := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(w) > columns {
			p.line(line)
			line, empty = rest, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+w, false
	}
	p.line(line)
}
