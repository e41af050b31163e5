package exchange_test

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"spindlebook/internal/exchange"
)

// docs/sheets.md is written from the columns themselves, by -update.
func TestTheSheetsAreDocumented(t *testing.T) {
	var b strings.Builder
	b.WriteString(`# Sheets for import and export

One CSV file holds one of these kinds; an XLSX workbook may hold several, a sheet for each. A sheet is known by its
heads; case, blanks, hyphens and underscores in them do not count, and title rows above them are passed over. An
export (` + "`GET /api/v1/exports`" + `, ` + "`GET /api/v1/exports/units`" + `) shows how a file may look and can be imported as it is.
[testdata/sheets](../testdata/sheets) holds a messy workbook that goes in, and the same with fifteen mistakes that are told.

- A blank cell says nothing: what is recorded stays. "?" and "unknown" are blank too; a stay that says so began at an unknown time.
- Dates: 2024-05-03, 3 May 2024, 3.5.2024 (with points the day comes first), 2024-05, May 2024, 2024. A date like 3/5/2024 is read by
  others in the file that can be read in one way only, or by the parameter ` + "`dates`" + `; else it is refused with both readings.
- Numbers: the decimal sign is that of the whole file; 1,234 is refused where nothing else in the file tells how it is meant.
- Rows are known again by their code or tag; facts, owners, supplies and states by their beginning; stays by unit, place and beginning.
- What is dated is ended and followed, not rewritten. A fact with another value from the same time on replaces the one on record,
  which stays visible as withdrawn.
- At most 64 MiB, 200,000 rows, 50 sheets, 256 columns; of a workbook at most 256 MiB unpacked, of them 64 MiB of texts.
`)
	for _, s := range exchange.Sheets() {
		fmt.Fprintf(&b, "\n## %s\n\n| column | also | takes |\n|---|---|---|\n", s.Kind)
		for _, c := range s.Columns {
			name := c.Name
			if c.Needed {
				name = "**" + name + "**"
			}
			fmt.Fprintf(&b, "| %s | %s | %s |\n", name, strings.Join(c.Also, ", "), c.Takes)
		}
	}
	const path = "../../docs/sheets.md"
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if is, err := os.ReadFile(path); err != nil || string(is) != b.String() {
		t.Errorf("docs/sheets.md is not what the columns say (%v); run this test with -update", err)
	}
}
