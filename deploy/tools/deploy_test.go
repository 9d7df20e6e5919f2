package tools

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/compose-spec/compose-go/v2/loader"
	compose "github.com/compose-spec/compose-go/v2/types"
	"github.com/moby/buildkit/frontend/dockerfile/instructions"
	"github.com/moby/buildkit/frontend/dockerfile/linter"
	"github.com/moby/buildkit/frontend/dockerfile/parser"
	apps "k8s.io/api/apps/v1"
	batch "k8s.io/api/batch/v1"
	core "k8s.io/api/core/v1"
	network "k8s.io/api/networking/v1"
	policy "k8s.io/api/policy/v1"
	strict "sigs.k8s.io/json"
	"sigs.k8s.io/yaml"
)

// The container file parses by BuildKit's own parser, without a warning; the image runs as a user that
// is not root.
func TestContainerfile(t *testing.T) {
	text, err := os.ReadFile("../container/Containerfile")
	if err != nil {
		t.Fatal(err)
	}
	tree, err := parser.Parse(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	for _, w := range tree.Warnings {
		t.Errorf("%+v", w)
	}
	lint := linter.New(&linter.Config{Warn: func(rule, about, _, message string, at []parser.Range) {
		t.Errorf("%s: %s (%s) at %v", rule, message, about, at)
	}})
	stages, _, err := instructions.Parse(tree.AST, lint)
	if err != nil {
		t.Fatal(err)
	}
	if len(stages) != 3 {
		t.Errorf("%d stages", len(stages))
	}
	user, entry := "", false
	for _, c := range stages[len(stages)-1].Commands {
		switch c := c.(type) {
		case *instructions.UserCommand:
			user = c.User
		case *instructions.EntrypointCommand:
			entry = !c.PrependShell && slices.Equal(c.CmdLine, []string{"/usr/bin/marginline"})
		case *instructions.CopyCommand:
			if c.From == "" {
				t.Error("the last stage copies from the sources")
			}
		}
	}
	if user != "65532:65532" || !entry {
		t.Errorf("user %q, entry point without a shell %v", user, entry)
	}
}

// The compose file loads by the library that docker compose loads it with; every file it names is there, but for the
// secrets that whoever runs it brings; every service gives up its capabilities.
func TestCompose(t *testing.T) {
	text, err := os.ReadFile("../compose/compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	dir, err := filepath.Abs("../compose")
	if err != nil {
		t.Fatal(err)
	}
	p, err := loader.LoadWithContext(t.Context(), compose.ConfigDetails{WorkingDir: dir, Environment: map[string]string{},
		ConfigFiles: []compose.ConfigFile{{Filename: filepath.Join(dir, "compose.yaml"), Content: text}}})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Services) != 3 {
		t.Errorf("services: %v", p.ServiceNames())
	}
	for name, s := range p.Services {
		if !slices.Contains(s.CapDrop, "ALL") || !slices.Contains(s.SecurityOpt, "no-new-privileges:true") {
			t.Errorf("%s keeps capabilities or may gain privileges", name)
		}
		for _, v := range s.Volumes {
			if v.Type == compose.VolumeTypeBind {
				if _, err := os.Stat(v.Source); err != nil {
					t.Errorf("%s: %v", name, err)
				}
			}
		}
		if s.Build != nil {
			if _, err := os.Stat(filepath.Join(s.Build.Context, s.Build.Dockerfile)); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		} else if strings.HasSuffix(s.Image, ":latest") || !strings.Contains(s.Image, ":") {
			t.Errorf("%s: image %s names no version", name, s.Image)
		}
	}
	if s := p.Services["marginline"]; !s.ReadOnly || s.User != "65532:65532" {
		t.Errorf("the service: read-only %v, user %q", s.ReadOnly, s.User)
	}
}

// Every manifest is decoded strictly into Kubernetes' own types: a field that does not exist is an error. Every container
// is held in, and what one object says of another is true.
func TestKubernetes(t *testing.T) {
	files, err := filepath.Glob("../kubernetes/*.yaml")
	first, err2 := filepath.Glob("../kubernetes/first/*.yaml")
	if err != nil || err2 != nil {
		t.Fatal(err, err2)
	}
	have, claims := map[string]int{}, map[string]bool{}
	var pods []core.PodSpec
	for _, f := range append(files, first...) {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for _, doc := range strings.Split(string(text), "\n---\n") {
			var kind struct{ Kind, APIVersion string }
			if err := yaml.Unmarshal([]byte(doc), &kind); err != nil {
				t.Fatalf("%s: %v", f, err)
			}
			into := map[string]any{
				"v1 ServiceAccount": &core.ServiceAccount{}, "v1 Service": &core.Service{}, "v1 PersistentVolumeClaim": &core.PersistentVolumeClaim{},
				"apps/v1 StatefulSet": &apps.StatefulSet{}, "batch/v1 Job": &batch.Job{},
				"networking.k8s.io/v1 NetworkPolicy": &network.NetworkPolicy{}, "policy/v1 PodDisruptionBudget": &policy.PodDisruptionBudget{},
			}[kind.APIVersion+" "+kind.Kind]
			if into == nil {
				t.Errorf("%s: %+v is of no kind that is known here", f, kind)
				continue
			}
			text, err := yaml.YAMLToJSONStrict([]byte(doc))
			if err != nil {
				t.Fatalf("%s: %s: %v", f, kind.Kind, err)
			}
			if unknown, err := strict.UnmarshalStrict(text, into); err != nil || len(unknown) > 0 { // the letters' case counts, too
				t.Errorf("%s: %s: %v %v", f, kind.Kind, unknown, err)
			}
			have[kind.Kind]++
			switch o := into.(type) {
			case *apps.StatefulSet:
				pods = append(pods, o.Spec.Template.Spec)
				for k, v := range o.Spec.Selector.MatchLabels {
					if o.Spec.Template.Labels[k] != v {
						t.Errorf("the selector asks for %s=%s, its pods have %v", k, v, o.Spec.Template.Labels)
					}
				}
				c := o.Spec.Template.Spec.Containers[0]
				if *o.Spec.Replicas != 1 || c.StartupProbe == nil || c.ReadinessProbe.HTTPGet.Path != "/readyz" || c.LivenessProbe.HTTPGet.Path != "/livez" {
					t.Errorf("replicas %d, probes %+v", *o.Spec.Replicas, c.ReadinessProbe)
				}
			case *batch.Job:
				pods = append(pods, o.Spec.Template.Spec)
			case *core.PersistentVolumeClaim:
				claims[o.Name] = true
			}
		}
	}
	for _, kind := range []string{"ServiceAccount", "Service", "StatefulSet", "PersistentVolumeClaim", "NetworkPolicy", "PodDisruptionBudget", "Job"} {
		if have[kind] != 1 {
			t.Errorf("%s: %d", kind, have[kind])
		}
	}
	for _, p := range pods {
		s := p.SecurityContext
		if s == nil || !is(s.RunAsNonRoot, true) || s.SeccompProfile == nil || s.SeccompProfile.Type != core.SeccompProfileTypeRuntimeDefault || !is(p.AutomountServiceAccountToken, false) {
			t.Errorf("a pod is not held in: %+v", s)
		}
		volumes := map[string]bool{}
		for _, v := range p.Volumes {
			volumes[v.Name] = true
			if c := v.PersistentVolumeClaim; c != nil && !claims[c.ClaimName] {
				t.Errorf("there is no claim %s", c.ClaimName)
			}
		}
		for _, c := range p.Containers {
			if s := c.SecurityContext; s == nil || !is(s.AllowPrivilegeEscalation, false) || !is(s.ReadOnlyRootFilesystem, true) || s.Capabilities == nil || !slices.Contains(s.Capabilities.Drop, "ALL") {
				t.Errorf("%s is not held in: %+v", c.Name, s)
			}
			if c.Resources.Limits.Memory().IsZero() {
				t.Errorf("%s has no limit of memory", c.Name)
			}
			for _, m := range c.VolumeMounts {
				if !volumes[m.Name] {
					t.Errorf("%s mounts %s, which is not there", c.Name, m.Name)
				}
			}
		}
	}
}

// is says whether an optional switch is set to a value.
func is(b *bool, want bool) bool { return b != nil && *b == want }
