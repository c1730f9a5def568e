package paper_test

import "fmt"

func sscan(text string, x *float64) (int, error) { return fmt.Sscan(text, x) }
