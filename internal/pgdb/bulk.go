package pgdb

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"gorm.io/gorm"
)

type bulkKey struct{}

// InBulk is InTx in which rows may be sent by Copy. The transaction keeps one
// connection for itself from before its beginning, which an ordinary one need not.
func (d *DB) InBulk(ctx context.Context, who uuid.UUID, fn func(tx *gorm.DB) error) error {
	return explain(d.gorm.WithContext(ctx).Connection(func(c *gorm.DB) error {
		conn, ok := c.Statement.ConnPool.(*sql.Conn)
		if !ok {
			return fmt.Errorf("a connection of its own came as %T", c.Statement.ConnPool)
		}
		c = c.WithContext(context.WithValue(c.Statement.Context, bulkKey{}, conn))
		return c.Transaction(func(tx *gorm.DB) error {
			if err := tx.Exec(state, stating(ctx, who)).Error; err != nil {
				return err
			}
			return fn(tx)
		})
	}))
}

// Copy sends rows to a table inside a transaction of InBulk. PostgreSQL takes no
// such rows into a table under row-level security: copy to a temporary table and
// insert from there.
func Copy(tx *gorm.DB, table string, columns []string, rows pgx.CopyFromSource) (int64, error) {
	ctx := tx.Statement.Context
	conn, ok := ctx.Value(bulkKey{}).(*sql.Conn)
	if !ok {
		return 0, errors.New("rows can be copied only inside InBulk")
	}
	var n int64
	err := conn.Raw(func(driver any) (err error) {
		n, err = driver.(*stdlib.Conn).Conn().CopyFrom(ctx, pgx.Identifier{table}, columns, rows)
		return err
	})
	return n, err
}

// CountAnew has the database count what its tables hold, so that it plans for what
// was just written and not for what was there before. In a transaction it counts
// what that has written.
func CountAnew(tx *gorm.DB) error { return tx.Exec(`select count_anew()`).Error }

// Each runs a query and hands its rows over one by one: all of its columns are
// text, and a null is a nil.
type Each func(sql string, args map[string]any, row func(cells []*string) error) error

// Snapshot lets fn run several queries over one state of the database, in which
// who asks, without holding their rows in memory.
func Snapshot(ctx context.Context, d *DB, who uuid.UUID, fn func(each Each) error) error {
	tx, err := d.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return explain(err)
	}
	defer func() { _ = tx.Rollback(ctx) }() // it has only read
	if _, err := tx.Exec(ctx, state, pgx.NamedArgs(stating(ctx, who))); err != nil {
		return explain(err)
	}
	return explain(fn(func(sql string, args map[string]any, row func(cells []*string) error) error {
		rows, err := tx.Query(ctx, sql, pgx.NamedArgs(args))
		if err != nil {
			return err
		}
		defer rows.Close()
		for rows.Next() {
			raw := rows.RawValues()
			cells := make([]*string, len(raw))
			for i, v := range raw {
				if v != nil {
					s := string(v)
					cells[i] = &s
				}
			}
			if err := row(cells); err != nil {
				return err
			}
		}
		return rows.Err()
	}))
}
