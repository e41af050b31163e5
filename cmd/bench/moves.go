package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	catalogue "spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

const (
	movers = 8 // who move stock at once
	moved  = 4 // parts that they move: they meet at the same balances
)

// moves measures movements of many clients between two places, each act with the
// answer that is kept for its retry, against a bare transaction of pgbench that
// updates two rows of a table like that of balances.
func (b *bench) moves(ctx context.Context, _ cluster.Address) error {
	d, who, now := b.small, access.System, time.Now()
	var parts [moved]uuid.UUID
	var from, to uuid.UUID
	err := d.db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		for _, it := range []struct {
			code, kind string
			id         *uuid.UUID
		}{{"BENCH-WH", "warehouse", &from}, {"BENCH-VAN", "van", &to}} {
			l, err := assets.AddLocation(tx, who, now, assets.NewLocation{Code: it.code, Name: it.code, Kind: it.kind})
			if err != nil {
				return err
			}
			*it.id = l.ID
		}
		for i := range parts {
			p, err := assets.AddPart(tx, who, now, assets.PartEdit{Number: fmt.Sprintf("BENCH-NUT-%d", i), Description: "Nut", Class: "fastener"})
			if err != nil {
				return err
			}
			if _, err := catalogue.SetStocking(tx, who, p.ID, p.Version, catalogue.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.Of(1), Tracking: "none"}); err != nil {
				return err
			}
			parts[i] = p.ID
			if _, err := stock.Move(tx, who, now, []stock.Moving{{Kind: "receive", PartID: p.ID, Amount: amount.Of(10_000_000), To: &from, Owner: stock.Owner{Kind: "distributor"}, Sure: true}}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	one := func(ctx context.Context, part uuid.UUID) error {
		at := time.Now()
		_, err := pgdb.Once(ctx, d.db, who.ID, at, pgdb.Request{Key: uuid.NewString(), Act: "move", Body: part}, func(tx *gorm.DB) ([]stock.Movement, error) {
			return stock.Move(tx, who, at, []stock.Moving{{Kind: "load", PartID: part, Amount: amount.One, From: &from, To: &to, Owner: stock.Owner{Kind: "distributor"}}})
		})
		return err
	}
	for _, p := range parts {
		if err := one(ctx, p); err != nil {
			return err
		}
	}
	counted, statements := pgdb.CountStatements(ctx)
	if err := one(counted, parts[0]); err != nil {
		return err
	}
	each := statements.Load()

	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, sql := range []string{`create table bare_balance (n integer primary key, on_hand numeric(16,3) not null)`,
		`insert into bare_balance select n, 10000000 from generate_series(0, 7) as n`, `vacuum (analyze) bare_balance, stock_balance, stock_movement, part, location`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	script := filepath.Join(b.dir, "two-rows.sql")
	text := fmt.Sprintf("\\set n random(0, %d)\nbegin;\nupdate bare_balance set on_hand = on_hand - 1 where n = 2 * :n;\nupdate bare_balance set on_hand = on_hand + 1 where n = 2 * :n + 1;\nend;\n", moved-1)
	if err := os.WriteFile(script, []byte(text), 0o644); err != nil {
		return err
	}
	bare, err := b.rate(ctx, d.owner, script)
	if err != nil {
		return err
	}
	took, err := atOnce(ctx, movers, time.Duration(b.seconds)*time.Second, func(ctx context.Context, dice *rand.Rand) error { return one(ctx, parts[dice.IntN(moved)]) })
	if err != nil {
		return err
	}
	rate := float64(len(took)) / float64(b.seconds)
	found, err := stock.Verify(ctx, d.db, who)
	if err != nil || len(found) > 0 {
		return fmt.Errorf("the ledger does not agree with itself: %v (%w)", found, err)
	}
	b.add(row{work: fmt.Sprintf("movements of %d clients on %d parts", movers, moved), floor: fmt.Sprintf("pgbench, two rows updated %s/s", thousands(int(bare))),
		measured: fmt.Sprintf("%s/s; p50 %s, p99 %s; %d statements each", thousands(int(rate)), ms(took.median()), ms(took.at(0.99)), each), ratio: bare / rate})
	return nil
}

var tps = regexp.MustCompile(`(?m)^tps = ([0-9.]+)`)

// rate gives how many transactions of a script as many clients of pgbench do in a second.
func (b *bench) rate(ctx context.Context, dsn, script string) (float64, error) {
	cmd := exec.CommandContext(ctx, filepath.Join(b.bin, "pgbench"), "-n", "-M", "prepared", "-c", strconv.Itoa(movers), "-j", "2", "-T", strconv.Itoa(b.seconds), "--random-seed=1", "-f", script, dsn)
	said, err := cmd.CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("pgbench: %w: %s", err, said)
	}
	found := tps.FindSubmatch(said)
	if found == nil {
		return 0, fmt.Errorf("pgbench tells no rate: %s", said)
	}
	return strconv.ParseFloat(string(found[1]), 64)
}
