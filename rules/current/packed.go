package current

import (
	"encoding/base64"
	"encoding/binary"
	"fmt"
)

// packed is a list of values of fixed size. In JSON it is a string, base64 of
// their bytes, little end first: a third of the length that numbers would have.
type packed[T any] []T

// MarshalText implements encoding.TextMarshaler.
func (p packed[T]) MarshalText() ([]byte, error) {
	raw, err := binary.Append(nil, binary.LittleEndian, []T(p))
	return base64.StdEncoding.AppendEncode(nil, raw), err
}

// UnmarshalText implements encoding.TextUnmarshaler.
func (p *packed[T]) UnmarshalText(text []byte) error {
	raw, err := base64.StdEncoding.AppendDecode(nil, text)
	if err != nil {
		return fmt.Errorf("state of a line's current: %w", err)
	}
	var one T
	size := binary.Size(one)
	if len(raw)%size != 0 {
		return fmt.Errorf("state of a line's current: %d bytes are no multiple of %d", len(raw), size)
	}
	list := make([]T, len(raw)/size)
	if _, err := binary.Decode(raw, binary.LittleEndian, list); err != nil {
		return fmt.Errorf("state of a line's current: %w", err)
	}
	*p = list
	return nil
}
