package assets

import (
	"database/sql/driver"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5/pgtype"
)

// Texts binds to and scans from one text[] value; gorm would spread a bare slice
// over several.
type Texts []string

// Value gives the array in PostgreSQL's own text form.
func (a Texts) Value() (driver.Value, error) {
	b, err := pgtype.NewMap().Encode(pgtype.TextArrayOID, pgtype.TextFormatCode, []string(a), nil)
	return string(b), err
}

// Scan reads an array in either of PostgreSQL's forms: database/sql brings it as
// text, pgx itself in binary.
func (a *Texts) Scan(src any) error {
	switch src := src.(type) {
	case string:
		return pgtype.NewMap().Scan(pgtype.TextArrayOID, pgtype.TextFormatCode, []byte(src), (*[]string)(a))
	case []byte:
		return pgtype.NewMap().Scan(pgtype.TextArrayOID, pgtype.BinaryFormatCode, src, (*[]string)(a))
	}
	return fmt.Errorf("a text array came as %T", src)
}

// scanJSON reads a document column into v.
func scanJSON(src, v any) error {
	switch src := src.(type) {
	case string:
		return json.Unmarshal([]byte(src), v)
	case []byte:
		return json.Unmarshal(src, v)
	}
	return fmt.Errorf("a document came as %T", src)
}
