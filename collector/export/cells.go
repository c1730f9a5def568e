package export

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"

	"dewpost/collector/record"
	"dewpost/rules/fact"
	"dewpost/rules/unit"
)

const always = "always"

func instantText(t unit.Instant) string {
	if t == fact.Always {
		return always
	}
	return t.String()
}

// appendNumber appends the shortest form that gives the number back. There is no
// way to say that something is not a number: it is left out.
func appendNumber(dst []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return dst
	}
	return strconv.AppendFloat(dst, v, 'g', -1, 64)
}

// appendCSV appends a field as in RFC 4180.
func appendCSV(dst []byte, text string) []byte {
	if !strings.ContainsAny(text, ",\"\r\n") && strings.TrimSpace(text) == text {
		return append(dst, text...)
	}
	dst = append(dst, '"')
	dst = append(dst, strings.ReplaceAll(text, `"`, `""`)...)
	return append(dst, '"')
}

// appendCell appends a value to a line of CSV; nothing for nil.
func appendCell(dst []byte, v any) []byte {
	switch x := v.(type) {
	case string:
		return appendCSV(dst, x)
	case int64:
		return strconv.AppendInt(dst, x, 10)
	case float64:
		return appendNumber(dst, x)
	case bool:
		return strconv.AppendBool(dst, x)
	case unit.Instant:
		return append(dst, instantText(x)...)
	}
	return dst
}

// appendValue appends a value as JSON.
func appendValue(dst []byte, kind record.CellType, v any) []byte {
	switch x := v.(type) {
	case nil:
		return append(dst, "null"...)
	case string:
		if kind == record.JSON && json.Valid([]byte(x)) {
			return append(dst, strings.NewReplacer("\n", " ", "\r", " ").Replace(x)...)
		}
		return appendJSONText(dst, x)
	case unit.Instant:
		return appendJSONText(dst, instantText(x))
	}
	return appendCell(dst, v)
}

func appendJSONText(dst []byte, text string) []byte {
	body, _ := json.Marshal(text) // a string
	return append(dst, body...)
}
