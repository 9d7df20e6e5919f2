package dashboards

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"
)

//go:embed pages/*.html pages/style.css
var pageFiles embed.FS

//go:embed all:web/dist
var bundleFiles embed.FS

// assets are the files pages refer to, each under an address that holds a digest of the content, so that
// browsers may keep them for ever.
type assets struct {
	bundle bool // the script is there
	script string
	style  string
	files  map[string][]byte // by the path after /static/
}

// loadAssets reads the embedded style sheet and the bundle. The bundle's own chunk names carry digests
// already; its entry main.js and the style sheet get theirs here.
func loadAssets(pages, dist fs.FS) (*assets, error) {
	a := &assets{files: map[string][]byte{}}
	style, err := fs.ReadFile(pages, "pages/style.css")
	if err != nil {
		return nil, fmt.Errorf("style sheet: %w", err)
	}
	a.style = a.add("style.css", style)
	err = fs.WalkDir(dist, ".", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || strings.HasPrefix(e.Name(), ".") {
			return err
		}
		body, err := fs.ReadFile(dist, name)
		if err != nil {
			return err
		}
		if name == "main.js" {
			a.bundle, a.script = true, a.add(name, body)
			return nil
		}
		a.files[name] = body
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("bundle: %w", err)
	}
	return a, nil
}

// add keeps a file under a name with its digest and returns its address.
func (a *assets) add(name string, body []byte) string {
	sum := sha256.Sum256(body)
	ext := path.Ext(name)
	hashed := strings.TrimSuffix(name, ext) + "-" + hex.EncodeToString(sum[:6]) + ext
	a.files[hashed] = body
	return "/static/" + hashed
}

func (a *assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name := strings.TrimPrefix(r.URL.Path, "/static/")
	body, ok := a.files[name]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, path.Base(name), time.Time{}, bytes.NewReader(body))
}

// worker is the service worker; its address is at the root, because that is how far it may reach.
func (a *assets) worker(w http.ResponseWriter, r *http.Request) {
	body, ok := a.files["sw.js"]
	if !ok {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Cache-Control", "no-cache")
	http.ServeContent(w, r, "sw.js", time.Time{}, bytes.NewReader(body))
}
