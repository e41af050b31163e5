// Package exchange reads the register from spreadsheets and writes it into them:
// CSV, one kind of sheet a file, and XLSX, several sheets a workbook.
//
// An import goes through four steps. The file is unpacked into rows of cells, in
// a spool beside it, while evidence is gathered on how it writes numbers and
// dates. The rows are read, cell by cell, and sent to temporary tables. There
// they are checked as sets, against each other and against what is recorded, and
// applied in the order in which they build on one another; rows that do not hold
// are set aside, so that one pass finds what is wrong with all of them. Where
// anything was wrong, nothing stays: all of it happens in one transaction. Memory
// does not grow with the file.
//
// What a cell means:
//   - Blank says nothing: what is recorded stays. "unknown" and "?" are blank
//     too, except that a stay which says so began at an unknown time.
//   - Codes, tags and part numbers are read in capital letters. Blanks around a
//     text go, those within it stay.
//   - The decimal sign is decided for the whole file: 12,5 or 1.234,5 somewhere
//     means comma, 12.5 or 1,234.5 point. Where a file shows neither, 1,234 is
//     refused; where it shows both, what could be read two ways is.
//   - Dates are 2024-05-03, or 3 May 2024, or 3.5.2024 (day first). 3/5/2024 is
//     read by evidence in the file (a 13th month) or by the parameter, else refused.
//     2024-05, 5/2024, May 2024 and 2024 are a month and a year. A date is a
//     day in the zone of its site.
//   - A text that begins with = + - @ or ' stands behind an apostrophe in an
//     export, so that no spreadsheet computes it; an import takes the apostrophe off.
//
// A row is known again by its code or tag; a fact by its thing, kind and
// beginning; a stay by unit, place and beginning; an owner, supply or state by
// its site or position and beginning. What is dated is not rewritten: a row may
// end what lasts and add what follows, and a fact with another value takes the
// place of the one recorded, which stays visible as withdrawn.
package exchange
