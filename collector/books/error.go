package books

import "fmt"

// Error says what is wrong with something that a person said.
type Error struct {
	Field string // which of what they said
	Value string // as they said it
	Fix   string // what to do
}

func (e Error) Error() string { return fmt.Sprintf("%s %q: %s", e.Field, e.Value, e.Fix) }
