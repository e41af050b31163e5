package stock

import (
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
)

type followRow struct {
	ID        uuid.UUID  `json:"id"`
	Used      bool       `json:"used"`
	BalanceID *uuid.UUID `json:"balance_id"`
}

// followClaims lets what was set aside follow its claim: to where it was moved, or to
// its end where it was used.
func followClaims(tx *gorm.DB, who access.Actor, now time.Time, in []Moving, done []Movement) error {
	var rows []followRow
	for i, m := range in {
		if m.ClaimID == nil {
			continue
		}
		r := followRow{ID: *m.ClaimID, Used: m.To == nil}
		if m.To != nil && m.UnitID == nil {
			id := balanceID(*m.To, m.PartID, done[i].LotID, m.Owner)
			r.BalanceID = &id
		}
		rows = append(rows, r)
	}
	if len(rows) == 0 {
		return nil
	}
	text, err := doc(rows)
	if err != nil {
		return err
	}
	return tx.Exec(`
update stock_claim as c
   set state = case when r.used then 'used' else c.state end, balance_id = coalesce(r.balance_id, c.balance_id),
       ended_at = case when r.used then cast(@now as timestamptz) end, ended_by = case when r.used then cast(@who as uuid) end, version = c.version + 1
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, used boolean, balance_id uuid)
 where c.id = r.id and c.state = 'set_aside'`, map[string]any{"rows": text, "now": now, "who": who.ID}).Error
}
