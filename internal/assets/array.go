package assets

import (
	"database/sql/driver"
	"fmt"

	"github.com/jackc/pgx/v5/pgtype"
)

// textArray binds to and scans from one text[] value; gorm would spread a bare
// slice over several.
type textArray []string

// Value gives the array in PostgreSQL's own text form.
func (a textArray) Value() (driver.Value, error) {
	b, err := pgtype.NewMap().Encode(pgtype.TextArrayOID, pgtype.TextFormatCode, []string(a), nil)
	return string(b), err
}

// Scan reads PostgreSQL's text form of an array.
func (a *textArray) Scan(src any) error {
	s, ok := src.(string)
	if !ok {
		return fmt.Errorf("a text array came as %T", src)
	}
	return pgtype.NewMap().Scan(pgtype.TextArrayOID, pgtype.TextFormatCode, []byte(s), (*[]string)(a))
}
