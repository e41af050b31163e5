package httpapi

import (
	"context"
	"io"

	"spindlebook/internal/door"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
)

// CreateImport brings a spreadsheet into the register. The body goes to a
// temporary file as it comes, never into memory.
func (s *Server) CreateImport(ctx context.Context, r gen.CreateImportRequestObject) (gen.CreateImportResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	key, err := idempotencyKey(r.Params.IdempotencyKey)
	if err != nil {
		return nil, err
	}
	file, err := exchange.Receive(r.Body)
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
	file, size, err := spooled(func(w io.Writer) error { return exchange.ExportWorkbook(ctx, s.db, who, w) })
	return gen.GetExports200ApplicationvndOpenxmlformatsOfficedocumentSpreadsheetmlSheetResponse{Body: file, ContentLength: size}, err
}

// GetExport sends one kind of sheet as CSV.
func (s *Server) GetExport(ctx context.Context, r gen.GetExportRequestObject) (gen.GetExportResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	file, size, err := spooled(func(w io.Writer) error { return exchange.ExportCSV(ctx, s.db, who, string(r.ExportKind), w) })
	return gen.GetExport200TextcsvResponse{Body: file, ContentLength: size}, err
}

// spooled writes an answer to a file first: the database need not wait for a
// slow line, and what fails half way is still answered as a problem.
func spooled(write func(w io.Writer) error) (io.ReadCloser, int64, error) {
	file, err := exchange.Temporary()
	if err != nil {
		return nil, 0, err
	}
	if err := write(file); err != nil {
		_ = file.Close() // the failure to write comes first
		return nil, 0, err
	}
	size, err := file.Seek(0, io.SeekCurrent)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		_ = file.Close() // nothing can be sent from it
		return nil, 0, err
	}
	return file, size, nil
}

// GetStockList sends a list about stock as CSV.
func (s *Server) GetStockList(ctx context.Context, r gen.GetStockListRequestObject) (gen.GetStockListResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	file, size, err := spooled(func(w io.Writer) error { return exchange.ExportGoodsCSV(ctx, s.db, who, string(r.ListKind), w) })
	return gen.GetStockList200TextcsvResponse{Body: file, ContentLength: size}, err
}

// ImportStockList brings a list about stock in.
func (s *Server) ImportStockList(ctx context.Context, r gen.ImportStockListRequestObject) (gen.ImportStockListResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	key, err := idempotencyKey(r.Params.IdempotencyKey)
	if err != nil {
		return nil, err
	}
	file, err := exchange.Receive(r.Body)
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
