package pm

import "errors"

// Moved tells that Complete found other work on the same things since Prepare: who
// has them prepared anew may try again.
func Moved(err error) bool { return errors.Is(err, errMoved) }
