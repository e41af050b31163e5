package visits

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
)

// Settle makes what is claimed for visits agree with what they take: a visit that is
// planned holds its always-parts where they lie for it, one that is moved or changed holds
// them for its new day, and one that has ended holds nothing. Of what is short that which is
// there is held; what arrives later is held when this is called again. Without ids it is
// done for every visit to come, and for those that ended and hold something still. It is
// called after a visit was written, and on a tick for what came between: what fails for
// some is tried again there, and keeps nobody else's parts from being held.
func Settle(ctx context.Context, db *pgdb.DB, now time.Time, ids ...uuid.UUID) error {
	q, args := visitRows+` and (v.state in ('planned', 'under_way') or v.id in (select c.visit_id from stock_claim as c where c.state in ('open', 'set_aside')))`, access.System.Scope(map[string]any{"ids": ids})
	if len(ids) > 0 {
		q = visitRows + ` and v.id = any (cast(@ids as uuid[]))`
	}
	found, err := pgdb.Read[Visit](ctx, db, access.System.ID, q+` order by v.starts_at, v.id`, args)
	if err != nil {
		return err
	}
	var all []error
	for some := range slices.Chunk(found, MostJudged) {
		all = append(all, settleSome(ctx, db, now, some))
	}
	return errors.Join(all...)
}

// settleSome settles visits that are judged together. Where they hold too much for that, or a
// rule is broken by one of them, the earlier are settled before the later, down to that one.
func settleSome(ctx context.Context, db *pgdb.DB, now time.Time, found []Visit) error {
	err := settleThese(ctx, db, now, found)
	_, ruled := errors.AsType[*fault.Error](err)
	if half := len(found) / 2; ruled && half > 0 {
		return errors.Join(settleSome(ctx, db, now, found[:half]), settleSome(ctx, db, now, found[half:]))
	}
	return err
}

func settleThese(ctx context.Context, db *pgdb.DB, now time.Time, found []Visit) error {
	var held []Visit
	for _, v := range found {
		if v.State == Planned || v.State == UnderWay {
			held = append(held, v)
		}
	}
	var wants []stock.Claiming
	if len(held) > 0 {
		s, err := supply(ctx, db, access.System, now, held)
		if err != nil {
			return err
		}
		if wants, err = s.wants(); err != nil {
			return err
		}
	}
	return db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error { return claimFor(tx, now, found, wants) })
}

// wants lists what each visit is to hold: the always-parts of jobs for which there are all,
// from where they would be taken. Whether the people are there is another matter.
func (s *supplies) wants() (all []stock.Claiming, err error) {
	measured := map[uuid.UUID]string{}
	for i := range s.trips { // they come in the order in which they start
		t := s.trips[i]
		sh := s.shelf(t)
		answer, used, err := s.judge(t, sh)
		if err != nil {
			return nil, err
		}
		open := t.open()
		for k, j := range answer.Jobs {
			// for want of one part it does not go, and what else it would hold serves others
			short := false
			for n, l := range j.Lines {
				short = short || used[k][n].always() && l.Short > 0
			}
			if short {
				continue
			}
			x := open[k]
			for n, l := range j.Lines {
				if used[k][n].Need != "always" {
					continue // what is found is claimed when it is loaded, and nobody books grams
				}
				for _, from := range l.Taken {
					lies := sh.lots[from.Item]
					if lies == nil || from.Amount <= 0 {
						continue // on order, or to be put together
					}
					measured[lies.PartID] = lies.MeasuredIn
					day := s.day(t).String()
					c := stock.Claiming{PartID: lies.PartID, Amount: amount.Amount(from.Amount), NeededOn: day, SiteID: &t.SiteID, PositionID: x.PositionID, TaskID: &x.TaskID, VisitID: &t.ID,
						Purpose: fmt.Sprintf("%s, visit %d to %s", x.name(), t.Number, t.SiteCode), Criticality: x.Criticality, LocationID: &lies.LocationID}
					if m := slices.IndexFunc(all, func(o stock.Claiming) bool {
						return *o.TaskID == *c.TaskID && o.PartID == c.PartID && *o.LocationID == *c.LocationID
					}); m >= 0 {
						all[m].Amount += c.Amount
						continue
					}
					all = append(all, c)
				}
			}
		}
		s.consume(t, sh, answer)
	}
	// the jobs of a visit share what they take from one place
	type at struct{ visit, part, place uuid.UUID }
	sums := map[at]amount.Amount{}
	for i, c := range all {
		k := at{*c.VisitID, c.PartID, *c.LocationID}
		before := sums[k]
		sums[k] += c.Amount
		all[i].Amount = pieces(sums[k], measured[c.PartID]) - pieces(before, measured[c.PartID])
	}
	return all, nil
}

// pieces is what is held where a part of one is taken: what is counted is held whole.
func pieces(n amount.Amount, measuredIn string) amount.Amount {
	if !stock.InPieces(measuredIn) {
		return n
	}
	return (n + amount.One - 1) / amount.One * amount.One
}

// claimFor brings the claims of visits that are as they were read to what is wanted.
func claimFor(tx *gorm.DB, now time.Time, found []Visit, wants []stock.Claiming) error {
	ids := make([]uuid.UUID, len(found))
	for i, v := range found {
		ids[i] = v.ID
	}
	as, err := read[struct {
		ID      uuid.UUID
		Version int
	}](tx, `select id, version from visit where id = any (@ids) order by id for update`, map[string]any{"ids": &ids})
	if err != nil {
		return err
	}
	same := map[uuid.UUID]bool{}
	for _, v := range found {
		same[v.ID] = slices.ContainsFunc(as, func(o struct {
			ID      uuid.UUID
			Version int
		}) bool {
			return o.ID == v.ID && o.Version == v.Version
		})
	}
	wants = slices.DeleteFunc(wants, func(c stock.Claiming) bool { return !same[*c.VisitID] })
	ids = slices.DeleteFunc(ids, func(id uuid.UUID) bool { return !same[id] }) // the next call looks at the others
	tasks := make([]uuid.UUID, len(wants))
	for i, w := range wants {
		tasks[i] = *w.TaskID
	}
	there, err := stock.HeldFor(tx, ids, tasks)
	if err != nil {
		return err
	}
	var back []uuid.UUID
	for _, c := range there {
		i := slices.IndexFunc(wants, func(w stock.Claiming) bool {
			return c.TaskID != nil && *w.TaskID == *c.TaskID && w.PartID == c.PartID && w.Amount > 0 &&
				(c.State == "set_aside" || w.NeededOn == c.NeededOn && w.Amount >= c.Amount && c.LocationID != nil && *w.LocationID == *c.LocationID)
		})
		if i < 0 {
			back = append(back, c.ID)
			continue
		}
		wants[i].Amount = max(wants[i].Amount-c.Amount, 0)
	}
	if len(back) > 0 {
		if err := stock.Release(tx, access.System, now, back, "the visit has changed or ended"); err != nil {
			return err
		}
	}
	wants = slices.DeleteFunc(wants, func(c stock.Claiming) bool { return c.Amount <= 0 })
	return stock.PromiseFree(tx, access.System, now, wants)
}
