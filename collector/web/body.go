package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"mime"
	"net/http"
	"regexp"
)

var escapedNUL = regexp.MustCompile(`(^|[^\\])(\\\\)*\\u0000`)

// hasNUL tells whether a string in valid JSON holds NUL, which is no text.
func hasNUL(body []byte) bool { return escapedNUL.Match(body) }

// jsonBody reads the JSON object that a request carries into v; members that v
// doesn't have are refused.
func jsonBody(r *http.Request, v any) error {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil || media != "application/json" {
		return &problem{
			Status: http.StatusUnsupportedMediaType, Title: "This is not JSON",
			Field: "Content-Type", Value: r.Header.Get("Content-Type"), Fix: "send application/json",
		}
	}
	var read bytes.Buffer
	d := json.NewDecoder(io.TeeReader(r.Body, &read))
	d.DisallowUnknownFields()
	if err = d.Decode(v); err == nil {
		switch _, err = d.Token(); {
		case err == nil:
			err = errors.New("there is more behind the object")
		case errors.Is(err, io.EOF) && hasNUL(read.Bytes()):
			err = errors.New(`\u0000 is no text`)
		case errors.Is(err, io.EOF):
			return nil
		}
	}
	var tooLong *http.MaxBytesError
	if errors.As(err, &tooLong) {
		return &problem{Status: http.StatusRequestEntityTooLarge, Title: "The body is too long", Fix: "send at most 1 MiB"}
	}
	return &problem{
		Status: http.StatusBadRequest, Title: "The body can't be read",
		Field: "body", Value: err.Error(), Fix: "send one JSON object as /api/v1/openapi.json describes it",
	}
}
