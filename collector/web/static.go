package web

import (
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"mime"
	"net/http"
	"path"
	"strconv"
)

//go:embed static openapi.json
var embedded embed.FS

// static holds the files that pages refer to. Their address holds a hash of
// their content, so a browser may keep them for good.
type static struct {
	files map[string]staticFile // by name, without folder
}

type staticFile struct {
	hash, contentType string
	body, packed      []byte
}

func newStatic() (*static, error) {
	s := &static{files: make(map[string]staticFile)}
	err := fs.WalkDir(embedded, "static", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := embedded.ReadFile(name)
		if err != nil {
			return err
		}
		packed, err := pack(body, gzip.BestCompression)
		if err != nil {
			return err
		}
		sum := sha256.Sum256(body)
		s.files[path.Base(name)] = staticFile{
			hash:        hex.EncodeToString(sum[:8]),
			contentType: contentTypeOf(name),
			body:        body,
			packed:      packed,
		}
		return nil
	})
	return s, err
}

// contentTypeOf doesn't depend on the machine for what pages need.
func contentTypeOf(name string) string {
	switch path.Ext(name) {
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".md", "":
		return "text/plain; charset=utf-8"
	}
	return mime.TypeByExtension(path.Ext(name))
}

// url returns the address of a file; templates name files, and a wrong name
// shows as a missing file in the tests.
func (s *static) url(name string) string {
	return "/static/" + s.files[name].hash + "/" + name
}

func (s *static) serve(w http.ResponseWriter, r *http.Request) error {
	f, ok := s.files[r.PathValue("name")]
	if !ok || f.hash != r.PathValue("hash") {
		return &problem{
			Status: http.StatusNotFound, Title: "There is no such file",
			Field: "path", Value: r.URL.Path, Fix: "load the page again",
		}
	}
	h := w.Header()
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	h.Set("Content-Type", f.contentType)
	h.Add("Vary", "Accept-Encoding")
	body := f.body
	if acceptsGzip(r) {
		h.Set("Content-Encoding", "gzip")
		body = f.packed
	}
	h.Set("Content-Length", strconv.Itoa(len(body)))
	if r.Method != http.MethodHead {
		_, _ = w.Write(body) // see send
	}
	return nil
}
