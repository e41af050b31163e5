package exchange

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// whenText gives an instant as the day it begins in the zone z, or else exactly.
func whenText(t, z string) string {
	return fmt.Sprintf(`case when %[1]s = date_trunc('day', %[1]s at time zone %[2]s) at time zone %[2]s then to_char(%[1]s at time zone %[2]s, 'YYYY-MM-DD') else %[3]s end`, t, z, exactly(t))
}

func exactly(t string) string {
	return fmt.Sprintf(`regexp_replace(to_char(%s at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '\.?0+$', '') || 'Z'`, t)
}

// stayText gives the time of a stay with the precision in which it is known; where
// a date alone would not come back as the same instant, exactly.
func stayText(t, precision string) string {
	return fmt.Sprintf(`
       case when %[2]s = 'unknown' then 'unknown'
            when %[2]s = 'day' and %[1]s = date_trunc('day', %[1]s at time zone o.zone) at time zone o.zone then to_char(%[1]s at time zone o.zone, 'YYYY-MM-DD')
            when %[2]s = 'month' and %[1]s = date_trunc('month', %[1]s at time zone o.zone) at time zone o.zone then to_char(%[1]s at time zone o.zone, 'YYYY-MM')
            when %[2]s = 'year' and %[1]s = date_trunc('year', %[1]s at time zone o.zone) at time zone o.zone then to_char(%[1]s at time zone o.zone, 'YYYY')
            else %[3]s end`, t, precision, exactly(t))
}

func precisionText(t, precision string) string {
	return fmt.Sprintf(`
       case when %[2]s in ('day', 'month', 'year') and %[1]s is distinct from date_trunc(%[2]s, %[1]s at time zone o.zone) at time zone o.zone then %[2]s end`, t, precision)
}

// numberText never has three decimals: they could be a group of thousands.
func numberText(n string) string {
	return fmt.Sprintf(`regexp_replace(cast(%s as text), '^(-?[0-9]+\.[0-9]{3})$', '\10')`, n)
}

func typedText(t string) string {
	return fmt.Sprintf(`regexp_replace(%s, '^(-?[0-9]+\.[0-9]{3}) ', '\10 ')`, t)
}

func yesText(b string) string { return fmt.Sprintf(`case when %s then 'yes' else 'no' end`, b) }

func words(s string) string { return fmt.Sprintf(`replace(%s, '_', ' ')`, s) }

// exported is what an export of a kind holds, and the query that gives it.
type exported struct {
	kind    string
	heads   []string
	query   string
	numbers []string // columns of numbers, of a list that is no kind of sheet
}

var exports = []exported{
	{kind: "customers", heads: []string{"customer", "name", "needs order number"}, query: `
select code, name, ` + yesText("needs_order_number") + `
  from customer
 where @everywhere or id = any (@customers)
order by code`},
	{kind: "sites", heads: []string{"site", "name", "customer", "owned since", "address", "latitude", "longitude", "zone", "currency", "climate", "size", "driver side", "day turns at"}, query: `
select s.code, s.name, o.customer_code, ` + whenText("o.since", "s.zone") + `, s.address, ` + numberText("s.latitude") + `, ` + numberText("s.longitude") + `, s.zone, s.currency,
       ` + words("s.climate") + `, s.size, s.driver_side, to_char(s.day_turns_at, 'HH24:MI')
  from site as s
  left join ownership_now as o on o.site_id = s.id
 where @everywhere or s.id = any (@sites)
order by s.code`},
	{kind: "owners", heads: []string{"site", "customer", "from", "until"}, query: `
select s.code, c.code, ` + whenText("lower(o.during)", "s.zone") + `, ` + whenText("upper(o.during)", "s.zone") + `
  from ownership as o
  join site as s on s.id = o.site_id
  join customer as c on c.id = o.customer_id
 where @everywhere or o.customer_id = any (@customers)
order by s.code, lower(o.during)`},
	{kind: "supplies", heads: []string{"site", "supply", "volts", "phases", "hertz", "high leg", "from", "until"}, query: `
select s.code, u.code, ` + numberText("u.volts") + `, cast(u.phases as text), cast(u.hertz as text), ` + yesText("u.high_leg") + `,
       ` + whenText("lower(u.during)", "s.zone") + `, ` + whenText("upper(u.during)", "s.zone") + `
  from supply as u
  join site as s on s.id = u.site_id
 where @everywhere or u.site_id = any (@sites)
order by s.code, u.code, lower(u.during)`},
	{kind: "lines", heads: []string{"line", "site", "name", "length", "speed", "vehicles per hour", "since"}, query: `
select l.code, s.code, l.name, ` + typedText("l.length_typed") + `, ` + typedText("l.speed_typed") + `, cast(l.vehicles_per_hour_max as text), ` + whenText("lower(l.during)", "s.zone") + `
  from line as l
  join site as s on s.id = l.site_id
 where @everywhere or l.site_id = any (@sites)
order by l.code`},
	{kind: "positions", heads: []string{"position", "site", "line", "name", "kind", "side", "along", "supply", "aliases", "twin", "since", "first state"}, query: `
select p.code, s.code, l.code, p.name, p.kind_name, p.line_side, ` + typedText("p.along_typed") + `, u.code, array_to_json(nullif(p.aliases, '{}'))::text, t.code,
       ` + whenText(`p."from"`, "s.zone") + `, ` + words("(select st.state from position_state as st where st.position_id = p.id order by lower(st.during) limit 1)") + `
  from position_now as p
  join site as s on s.id = p.site_id
  left join line as l on l.id = p.line_id
  left join supply as u on u.id = p.supply_id
  left join position as t on t.id = p.twin_id
 where @everywhere or p.site_id = any (@sites)
order by p.code`},
	{kind: "states", heads: []string{"position", "state", "from", "reason"}, query: `
select p.code, ` + words("st.state") + `, ` + whenText("lower(st.during)", "s.zone") + `, st.reason
  from position_state as st
  join position as p on p.id = st.position_id
  join site as s on s.id = p.site_id
 where @everywhere or p.site_id = any (@sites)
order by p.code, lower(st.during)`},
	{kind: "parts", heads: []string{"part", "description", "class"}, query: `
select p.number, p.description, c.name
  from part as p
  join component_class as c on c.code = p.class
order by p.number`},
	{kind: "locations", heads: []string{"location", "name", "kind", "site"}, query: `
select l.code, l.name, ` + words("l.kind") + `, s.code
  from location as l
  left join site as s on s.id = l.site_id
 where @everywhere or l.site_id = any (@sites)
order by l.code`},
	{kind: "units", heads: []string{"unit tag", "part", "serial", "owner", "owner customer", "lot", "pattern", "start hours", "start vehicles", "start days"}, query: `
select u.tag, p.number, u.serial, u.owner, c.code, u.lot, u.pattern, ` + numberText("u.start_hours") + `, cast(u.start_vehicles as text), cast(u.start_days as text)
  from unit as u
  join part as p on p.id = u.part_id
  left join customer as c on c.id = u.owner_customer_id
order by u.tag`},
	{kind: "facts", heads: []string{"position", "unit tag", "part", "fact", "value", "from", "until", "how", "seen on", "seen by"}, query: `
select p.code, null, null, k.name, case when f.value_mm is null then f.value else ` + typedText("f.value") + ` end, ` + whenText("lower(f.during)", "s.zone") + `,
       ` + whenText("upper(f.during)", "s.zone") + `, ` + words("f.how") + `, ` + whenText("f.seen_at", "s.zone") + `, f.seen_by
  from position_fact as f
  join position as p on p.id = f.position_id
  join site as s on s.id = p.site_id
  join fact_kind as k on k.code = f.fact
 where f.withdrawn_at is null and (@everywhere or f.site_id = any (@sites))
 union all
select null, u.tag, null, k.name, case when f.value_mm is null then f.value else ` + typedText("f.value") + ` end, ` + exactly("lower(f.during)") + `,
       ` + exactly("upper(f.during)") + `, ` + words("f.how") + `, ` + exactly("f.seen_at") + `, f.seen_by
  from unit_fact as f
  join unit as u on u.id = f.unit_id
  join fact_kind as k on k.code = f.fact
 where f.withdrawn_at is null
 union all
select null, null, p.number, k.name, case when f.value_mm is null then f.value else ` + typedText("f.value") + ` end, null, null, null, null, null
  from part_fact as f
  join part as p on p.id = f.part_id
  join fact_kind as k on k.code = f.fact
order by 1, 2, 3, 4, 6`},
	{kind: "stays", heads: []string{"unit tag", "position", "slot", "holder", "location", "from", "from precision", "until", "until precision", "reason", "remark"}, query: `
select u.tag, p.code, sl.code, h.tag, l.code, ` + stayText("lower(st.during)", "st.from_precision") + `, ` + precisionText("lower(st.during)", "st.from_precision") + `,
       ` + stayText("upper(st.during)", "st.until_precision") + `, ` + precisionText("upper(st.during)", "st.until_precision") + `, ` + words("st.ended_for") + `, st.remark
  from stay as st
  join unit as u on u.id = st.unit_id
  left join slot as sl on sl.id = st.slot_id
  left join position as p on p.id = sl.position_id
  left join unit as h on h.id = sl.unit_id
  left join location as l on l.id = st.location_id
  left join site as o on o.id = st.site_id
order by u.tag, lower(st.during) nulls first`},
}

// ExportCSV writes what the actor may see of one kind.
func ExportCSV(ctx context.Context, db *pgdb.DB, who access.Actor, kind string, w io.Writer) error {
	i := slices.IndexFunc(exports, func(e exported) bool { return e.kind == kind })
	if i < 0 {
		return fault.Missing("kind of sheet", kind)
	}
	return exports[i].csv(ctx, db, who, w)
}

func (e exported) csv(ctx context.Context, db *pgdb.DB, who access.Actor, w io.Writer) error {
	out := bufio.NewWriterSize(w, 64<<10)
	// the mark by which spreadsheets know UTF-8
	if _, err := out.WriteString("\ufeff"); err != nil {
		return err
	}
	err := pgdb.Snapshot(ctx, db, who.ID, func(each pgdb.Each) error {
		return e.rows(each, who, func(cells []string) error { return writeCSV(out, cells) })
	})
	if err != nil {
		return err
	}
	return out.Flush()
}

// ExportWorkbook writes what the actor may see, a sheet for each kind, as of one instant.
func ExportWorkbook(ctx context.Context, db *pgdb.DB, who access.Actor, w io.Writer) error {
	return writeBook(ctx, db, who, exports, w)
}

func writeBook(ctx context.Context, db *pgdb.DB, who access.Actor, all []exported, w io.Writer) (err error) {
	book := excelize.NewFile()
	defer func() {
		if closed := book.Close(); err == nil {
			err = closed
		}
	}()
	err = pgdb.Snapshot(ctx, db, who.ID, func(each pgdb.Each) error {
		for i, e := range all {
			if err := e.sheet(book, i, each, who); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return book.Write(w)
}

// mostRows is how many rows a sheet of a workbook can hold.
const mostRows = 1 << 20

func (e exported) sheet(book *excelize.File, i int, each pgdb.Each, who access.Actor) error {
	if i == 0 {
		if err := book.SetSheetName("Sheet1", e.kind); err != nil {
			return err
		}
	} else if _, err := book.NewSheet(e.kind); err != nil {
		return err
	}
	s, err := book.NewStreamWriter(e.kind)
	if err != nil {
		return err
	}
	if err := s.SetColWidth(1, len(e.heads), 16); err != nil {
		return err
	}
	if err := s.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	row, numeric := 0, e.numeric()
	err = e.rows(each, who, func(cells []string) error {
		if row++; row > mostRows {
			return &fault.Error{Kind: fault.TooLarge, Msg: fmt.Sprintf("a sheet holds at most %d rows; export %s as CSV", mostRows, e.kind)}
		}
		values := make([]any, len(cells))
		for j, c := range cells {
			switch f, err := strconv.ParseFloat(c, 64); {
			case c == "":
				values[j] = nil
			case row > 1 && numeric[j] && err == nil:
				values[j] = f
			default:
				values[j] = c
			}
		}
		return s.SetRow("A"+strconv.Itoa(row), values)
	})
	if err != nil {
		return err
	}
	return s.Flush()
}

// numeric tells which columns hold numbers.
func (e exported) numeric() []bool {
	k, is := kindOf(e.kind), make([]bool, len(e.heads))
	for i, name := range e.heads {
		if e.numbers != nil {
			is[i] = slices.Contains(e.numbers, name)
			continue
		}
		h, _ := k.head(name)
		is[i] = h.as == asNumber || h.as == asWhole
	}
	return is
}

// rows gives the heads and then the rows, as they are written.
func (e exported) rows(each pgdb.Each, who access.Actor, row func(cells []string) error) error {
	if err := row(e.heads); err != nil {
		return err
	}
	numeric := e.numeric()
	aliases := slices.Index(e.heads, "aliases")
	cells := make([]string, len(e.heads))
	return each(e.query, who.Scope(nil), func(found []*string) error {
		for i, f := range found {
			cells[i] = ""
			if f == nil {
				continue
			}
			cells[i] = *f
			if i == aliases {
				all, err := list(*f)
				if err != nil {
					return err
				}
				cells[i] = joined(all)
			}
			if !numeric[i] {
				cells[i] = guarded(cells[i])
			}
		}
		return row(cells)
	})
}

// guarded keeps a spreadsheet from computing a text; an import takes the apostrophe off.
func guarded(s string) string {
	if s != "" && strings.IndexByte("=+-@'\t\r", s[0]) >= 0 {
		return "'" + s
	}
	return s
}

func writeCSV(w *bufio.Writer, cells []string) error {
	for i, c := range cells {
		if i > 0 {
			_ = w.WriteByte(',') // the writer keeps its first error and gives it below
		}
		if strings.ContainsAny(c, ",;\"\r\n\t") || strings.HasPrefix(c, " ") {
			c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
		}
		_, _ = w.WriteString(c)
	}
	_, err := w.WriteString("\r\n")
	return err
}

// Spooled writes an answer to a temporary file first: the database need not wait for a
// slow line, and what fails half way is still answered as a problem.
func Spooled(write func(w io.Writer) error) (io.ReadCloser, int64, error) {
	file, err := temporary()
	if err != nil {
		return nil, 0, err
	}
	if err := write(file); err != nil {
		_ = file.Close() // the failure to write comes first
		return nil, 0, err
	}
	size, err := file.Seek(0, io.SeekCurrent)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		_ = file.Close() // nothing can be sent from it
		return nil, 0, err
	}
	return file, size, nil
}
