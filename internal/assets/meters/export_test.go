package meters

// The queries behind the lists, for the test that looks at their plans.
const (
	ReadingList     = readingList
	DoubtList       = doubtList
	Around          = around
	OneReadingQuery = oneReading
)

// Read is the parser of amounts, and Corrections what a value may have been meant to be.
func Read(u Unit, text, unit string) (int64, string) { return u.read(text, unit) }
