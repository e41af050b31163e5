package httpapi

import (
	"context"
	"io"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
)

// received takes in a sheet that somebody sends: its body goes to a temporary file as it
// comes, never into memory.
func received(ctx context.Context, header string, body io.Reader, receive func(io.Reader) (*exchange.Upload, error)) (who access.Actor, key string, file *exchange.Upload, err error) {
	if who, err = door.Must(ctx); err != nil {
		return who, "", nil, err
	}
	if key, err = idempotencyKey(header); err != nil {
		return who, "", nil, err
	}
	file, err = receive(body)
	return who, key, file, err
}

// CreateImport brings a spreadsheet into the register.
func (s *Server) CreateImport(ctx context.Context, r gen.CreateImportRequestObject) (gen.CreateImportResponseObject, error) {
	who, key, file, err := received(ctx, r.Params.IdempotencyKey, r.Body, exchange.Receive)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	done, err := exchange.Import(ctx, s.db, who, s.now(), file, exchange.Options{
		DryRun: val(r.Params.DryRun), Kind: string(val(r.Params.Kind)), Dates: string(val(r.Params.Dates)), Key: key})
	if err != nil {
		return nil, err
	}
	return gen.CreateImport200JSONResponse{DryRun: done.DryRun, Format: gen.ImportFormat(done.Format), Notes: each(done.Notes, func(n string) string { return n }),
		Sheets: each(done.Sheets, func(d exchange.Done) gen.ImportedSheet {
			return gen.ImportedSheet{Sheet: d.Sheet, Kind: gen.SheetKind(d.Kind), Added: d.Added, Changed: d.Changed, Unchanged: d.Unchanged}
		}),
		Warnings: each(done.Warnings, warningOut), WarningCounts: each(done.Warned, tallyOut)}, nil
}

func warningOut(w exchange.Said) gen.ProblemField {
	return gen.ProblemField{Field: w.Field, Value: some(w.Value), Rule: w.Says, Sheet: some(w.Sheet), Row: &w.Row, Column: some(w.Column), Code: some(w.Rule)}
}

func tallyOut(t fault.Tally) gen.RuleCount { return gen.RuleCount{Code: t.Rule, Count: t.Count} }

// GetExports sends the register as a workbook.
func (s *Server) GetExports(ctx context.Context, _ gen.GetExportsRequestObject) (gen.GetExportsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	file, size, err := exchange.Spooled(func(w io.Writer) error { return exchange.ExportWorkbook(ctx, s.db, who, w) })
	return gen.GetExports200ApplicationvndOpenxmlformatsOfficedocumentSpreadsheetmlSheetResponse{Body: file, ContentLength: size}, err
}

// GetExport sends one kind of sheet as CSV.
func (s *Server) GetExport(ctx context.Context, r gen.GetExportRequestObject) (gen.GetExportResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	file, size, err := exchange.Spooled(func(w io.Writer) error { return exchange.ExportCSV(ctx, s.db, who, string(r.ExportKind), w) })
	return gen.GetExport200TextcsvResponse{Body: file, ContentLength: size}, err
}

// GetStockList sends a list about stock as CSV.
func (s *Server) GetStockList(ctx context.Context, r gen.GetStockListRequestObject) (gen.GetStockListResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	file, size, err := exchange.Spooled(func(w io.Writer) error { return exchange.ExportGoodsCSV(ctx, s.db, who, string(r.ListKind), w) })
	return gen.GetStockList200TextcsvResponse{Body: file, ContentLength: size}, err
}

// ImportStockList brings a list about stock in.
func (s *Server) ImportStockList(ctx context.Context, r gen.ImportStockListRequestObject) (gen.ImportStockListResponseObject, error) {
	who, key, file, err := received(ctx, r.Params.IdempotencyKey, r.Body, exchange.Receive)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	done, err := exchange.ImportGoods(ctx, s.db, who, s.now(), file, exchange.Options{Kind: string(r.ListKind), DryRun: val(r.Params.DryRun), Dates: string(val(r.Params.Dates)), Key: key})
	if err != nil {
		return nil, err
	}
	return gen.ImportStockList200JSONResponse{DryRun: done.DryRun, Kind: gen.StockListKind(done.Kind), Rows: done.Rows, Added: done.Added, Changed: done.Changed, Unchanged: done.Unchanged,
		Notes: each(done.Notes, func(n string) string { return n })}, nil
}
