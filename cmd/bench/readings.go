package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/door"
	"spindlebook/internal/pgdb/cluster"
)

const (
	readingsAtOnce = 10_000 // the most that the API takes at once
	readingBatches = 12
	metersPerSite  = 5
)

// A counter of vehicles for the first line of each site, and hour meters for four
// of its brushes.
const benchMeters = `
with line as (select distinct on (site_id) id, site_id from line order by site_id, code),
chosen as (
  select l.site_id, l.id as line_id, cast(null as uuid) as position_id, 'M' || l.site_id::text as code, 'vehicles' as unit, 0 as n from line as l
   union all
  select p.site_id, null, p.id, 'M' || p.id::text, 'hours', p.n
    from (select p.*, row_number() over (partition by p.site_id order by p.code) as n from position as p join line as l on l.id = p.line_id where p.line_side <> 'centre') as p where p.n <= 4
),
keyed as (select *, gen_random_uuid() as id from chosen),
m as (
  insert into meter (id, site_id, code, kind, unit, during, created_at)
  select id, site_id, upper(left(md5(code), 20)), case unit when 'hours' then 'hour_meter' else 'entrance_counter' end, unit, tstzrange('2024-01-01Z', null), '2024-01-01Z' from keyed
),
s as (insert into meter_state (meter_id, site_id) select id, site_id from keyed),
g as (
  insert into meter_segment (id, meter_id, site_id, during, how, start_value, base, shows, modulus, decimals, recorded_at, recorded_by)
  select gen_random_uuid(), id, site_id, '(,)', 'first', 0, 0, case unit when 'hours' then 'h' else unit end, case unit when 'hours' then 360000000 end,
         case unit when 'hours' then 1 else 0 end, '2024-01-01Z', current_actor() from keyed
)
insert into meter_place (id, meter_id, site_id, unit, line_id, position_id, is_primary, during, recorded_at, recorded_by)
select gen_random_uuid(), id, site_id, unit, line_id, position_id, true, tstzrange('2024-01-01Z', null), '2024-01-01Z', current_actor() from keyed`

// readings measures taking readings by the batch, all rules on, beside COPY of
// the very rows that came out into a table of the same columns and indexes.
func (b *bench) readings(ctx context.Context, _ cluster.Address) error {
	conn, err := pgx.Connect(ctx, b.small.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if _, err := conn.Exec(ctx, `select set_config('spindlebook.actor', '`+access.System.ID.String()+`', false)`); err != nil {
		return err
	}
	for _, sql := range []string{benchMeters, `create table copied (like reading including all)`, `analyze meter, meter_place, meter_segment, meter_state`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	rows, err := conn.Query(ctx, `select id, code, unit from meter order by id`)
	if err != nil {
		return err
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[benchMeter])
	if err != nil {
		return err
	}
	b.say("%d batches of %s readings of %d meters", readingBatches, thousands(readingsAtOnce), len(all))
	began, hours := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC), readingsAtOnce/len(all)
	var floor, through, again sample
	for i := range readingBatches + 1 {
		in := make([]meters.NewReading, 0, readingsAtOnce)
		for h := range hours {
			n := int64(i*hours + h)
			for _, m := range all {
				in = append(in, meters.NewReading{MeterID: m.ID, At: began.Add(time.Duration(n) * time.Hour), Value: m.value(n), Source: "gateway"})
			}
		}
		now := began.Add(time.Duration((i+1)*hours) * time.Hour)
		start := time.Now()
		if err := b.take(ctx, now, in, meters.Took); err != nil {
			return err
		}
		took := time.Since(start)
		var text bytes.Buffer
		if _, err := conn.PgConn().CopyTo(ctx, &text, fmt.Sprintf(`copy (select * from reading where received_at = '%s' order by at, meter_id) to stdout`, now.Format(time.RFC3339))); err != nil {
			return err
		}
		start = time.Now()
		if _, err := conn.PgConn().CopyFrom(ctx, &text, `copy copied from stdin`); err != nil {
			return err
		}
		copied := time.Since(start)
		start = time.Now()
		if err := b.take(ctx, now, in, meters.AlreadyThere); err != nil {
			return err
		}
		if i > 0 { // the first one prepares statements and is not counted
			floor, through, again = append(floor, copied), append(through, took), append(again, time.Since(start))
		}
	}
	perSecond := func(s sample) string { return thousands(int(float64(len(all)*hours)/s.median().Seconds())) + " rows/s" }
	b.add(row{work: fmt.Sprintf("take readings, %s at once", thousands(readingsAtOnce)), floor: "COPY " + perSecond(floor), measured: perSecond(through),
		ratio: ratio(through.median(), floor.median()), bar: 1 / 0.35})
	if err := b.readingsOverHTTP(ctx, all, began.Add(time.Duration((readingBatches+1)*hours)*time.Hour), (readingBatches+1)*hours, floor); err != nil {
		return err
	}
	b.add(row{work: "the same sent again", floor: "COPY " + perSecond(floor), measured: perSecond(again), ratio: ratio(again.median(), floor.median())})
	return nil
}

// take sends one batch, which must end as said.
func (b *bench) take(ctx context.Context, now time.Time, in []meters.NewReading, want string) error {
	return b.small.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		out, err := meters.Take(tx, access.System, now, in)
		for i, t := range out {
			if t.Outcome != want {
				return fmt.Errorf("reading %d ended as %s, not %s: %s %v", i, t.Outcome, want, t.Says, t.Fault)
			}
		}
		return err
	})
}

type benchMeter struct {
	ID         uuid.UUID
	Code, Unit string
}

// value gives what a meter shows after n hours: 60 vehicles an hour, 24 s each.
func (m benchMeter) value(n int64) string {
	if m.Unit == "hours" {
		return meters.Hours.Format(3600 + 1440*n)
	}
	return fmt.Sprint(1000 + 60*n)
}

// readingsOverHTTP sends batches as a gateway does, and one sheet as a person
// does who brings years of readings along.
func (b *bench) readingsOverHTTP(ctx context.Context, all []benchMeter, from time.Time, n int, floor sample) error {
	token, hours := b.small.pages[asManager][0].token, readingsAtOnce/len(all)
	post := func(base, path, kind string, body io.Reader) error {
		req, err := http.NewRequestWithContext(ctx, http.MethodPost, base+door.APIPath+path, body)
		if err != nil {
			return err
		}
		req.Header.Set("Authorization", "Bearer "+token)
		req.Header.Set("Content-Type", kind)
		req.Header.Set("Idempotency-Key", uuid.NewString())
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return err
		}
		defer res.Body.Close()
		said, err := io.ReadAll(io.LimitReader(res.Body, 2000))
		if _, rest := io.Copy(io.Discard, res.Body); err == nil {
			err = rest
		}
		if err == nil && (res.StatusCode != http.StatusOK || strings.Contains(string(said), "refused") || strings.Contains(string(said), `"taken":0`)) {
			err = fmt.Errorf("the server answers %s: %s", res.Status, said)
		}
		return err
	}
	var took sample
	s, err := withServer(ctx, b.small, nil, func(base string) error {
		for range 10 {
			var body bytes.Buffer
			body.WriteString(`{"items": [`)
			for h := range hours {
				for i, m := range all {
					if h+i > 0 {
						body.WriteByte(',')
					}
					fmt.Fprintf(&body, `{"meter":%q,"at":%q,"value":%s,"source":"gateway"}`, m.Code, from.Add(time.Duration(h)*time.Hour).Format(time.RFC3339), m.value(int64(n+h)))
				}
			}
			body.WriteString(`]}`)
			start := time.Now()
			if err := post(base, "/readings", "application/json", &body); err != nil {
				return err
			}
			took, from, n = append(took, time.Since(start)), from.Add(time.Duration(hours)*time.Hour), n+hours
		}
		return nil
	})
	if err != nil {
		return err
	}
	b.add(row{work: "the same over HTTP, and its peak memory", floor: fmt.Sprintf("COPY %s rows/s", thousands(int(readingsAtOnce/floor.median().Seconds()))),
		measured: fmt.Sprintf("%s rows/s, %d MB (budget 150 MB)", thousands(int(readingsAtOnce/took.median().Seconds())), s.PeakKB>>10), ratio: ratio(took.median(), floor.median()), bar: 1 / 0.35})

	// All of it before what was sent already, so that nothing is simply later than
	// what is there.
	each := b.rowsImported / len(all)
	b.say("a sheet of %s readings", thousands(each*len(all)))
	r, w := io.Pipe()
	go func() {
		buf := bufio.NewWriterSize(w, 64<<10)
		fmt.Fprintln(buf, "meter,at,value")
		start := from.Add(-time.Duration(n) * time.Hour)
		for _, m := range all {
			for i := range each { // two minutes apart, before all that was sent
				fmt.Fprintf(buf, "%s,%s,%s\n", m.Code, start.Add(-time.Duration(each-i)*2*time.Minute).Format(time.RFC3339), "0")
			}
		}
		_ = w.CloseWithError(buf.Flush())
	}()
	start := time.Now()
	if s, err = withServer(ctx, b.small, nil, func(base string) error { return post(base, "/readings/import", "text/csv", r) }); err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("import a sheet of %s readings, its peak memory", thousands(each*len(all))),
		measured: fmt.Sprintf("%s rows/s, %d MB (budget 150 MB)", thousands(int(float64(each*len(all))/time.Since(start).Seconds())), s.PeakKB>>10)})
	return nil
}
