package assets

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Customer owns sites and pays.
type Customer struct {
	ID               uuid.UUID
	Code             string
	Name             string
	NeedsOrderNumber bool // a bill needs the number of an order of theirs
	Version          int
	CreatedAt        time.Time
}

// CustomerEdit is what of a customer can be given and changed.
type CustomerEdit struct {
	Code             string
	Name             string
	NeedsOrderNumber bool
}

func (in CustomerEdit) values() map[string]any {
	return map[string]any{"code": in.Code, "name": strings.TrimSpace(in.Name), "needs": in.NeedsOrderNumber}
}

// ours keeps to the customers whose people the actor is one of.
const ours = `(@everywhere or id = any (@customers))`

const customers = `select id, code, name, needs_order_number, version, created_at from customer`

// Customers lists the customers that the actor may see, by code.
func Customers(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]Customer, error) {
	return pgdb.Read[Customer](ctx, db, who.ID, customers+` where `+ours+` and code > @after order by code limit @limit`, pageArgs(who, p, nil))
}

// OneCustomer gives a customer.
func OneCustomer(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Customer, error) {
	return pgdb.ReadOne[Customer](ctx, db, who.ID, "customer", id.String(), customers+` where `+ours+` and id = @id`, args(who, map[string]any{"id": id}))
}

func customerInTx(tx *gorm.DB, id uuid.UUID) (Customer, error) {
	return pgdb.One[Customer](tx, "customer", id.String(), customers+` where id = @id`, map[string]any{"id": id})
}

// AddCustomer records a customer.
func AddCustomer(tx *gorm.DB, who access.Actor, now time.Time, in CustomerEdit) (Customer, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Customer{}, err
	}
	v := in.values()
	v["id"], v["now"] = pgdb.NewID(), now
	err := insertCoded(tx, "customer", "customer", in.Code, `
insert into customer (id, code, name, needs_order_number, created_at) values (@id, @code, @name, @needs, @now)
on conflict (code) do nothing`, v)
	if err != nil {
		return Customer{}, err
	}
	return customerInTx(tx, v["id"].(uuid.UUID))
}

// EditCustomer changes a customer that is still at the version seen.
func EditCustomer(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in CustomerEdit) (Customer, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Customer{}, err
	}
	if err := bump(tx, "customer", "customer", id, version); err != nil {
		return Customer{}, err
	}
	if err := codeFree(tx, "customer", "customer", in.Code, id); err != nil {
		return Customer{}, err
	}
	v := in.values()
	v["id"] = id
	err := tx.Exec(`update customer set code = @code, name = @name, needs_order_number = @needs where id = @id`, v).Error
	if err != nil {
		return Customer{}, err
	}
	return customerInTx(tx, id)
}
