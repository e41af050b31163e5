package pgdb

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
)

// keyCodec sends and reads keys as the sixteen bytes that they are. Left to themselves
// they go by way of their text, there and back: in a large answer that was a fifth of
// all memory it took.
type keyCodec struct{ pgtype.UUIDCodec }

func (c keyCodec) PlanEncode(m *pgtype.Map, oid uint32, format int16, value any) pgtype.EncodePlan {
	if _, ok := value.(uuid.UUID); ok && format == pgtype.BinaryFormatCode {
		return keyOut{}
	}
	return c.UUIDCodec.PlanEncode(m, oid, format, value)
}

func (c keyCodec) PlanScan(m *pgtype.Map, oid uint32, format int16, target any) pgtype.ScanPlan {
	if _, ok := target.(*uuid.UUID); ok && format == pgtype.BinaryFormatCode {
		return keyIn{}
	}
	return c.UUIDCodec.PlanScan(m, oid, format, target)
}

type keyOut struct{}

func (keyOut) Encode(value any, buf []byte) ([]byte, error) {
	id := value.(uuid.UUID)
	return append(buf, id[:]...), nil
}

type keyIn struct{}

func (keyIn) Scan(src []byte, target any) error {
	if src == nil {
		return nil // as uuid.UUID scans it: none is uuid.Nil
	}
	id := target.(*uuid.UUID)
	if len(src) != len(id) {
		return fmt.Errorf("a key of %d bytes", len(src))
	}
	copy(id[:], src)
	return nil
}

// knowKeys has a connection use keyCodec, for arrays too.
func knowKeys(_ context.Context, c *pgx.Conn) error {
	key := &pgtype.Type{Name: "uuid", OID: pgtype.UUIDOID, Codec: keyCodec{}}
	c.TypeMap().RegisterType(key)
	c.TypeMap().RegisterType(&pgtype.Type{Name: "_uuid", OID: pgtype.UUIDArrayOID, Codec: &pgtype.ArrayCodec{ElementType: key}})
	return nil
}
