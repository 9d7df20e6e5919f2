package flight

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"runtime/debug"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
)

// LoadToken reads the token that is kept in a file; a missing file is made, with a new one that only the
// owner can read.
func LoadToken(path string) (string, error) {
	b, err := os.ReadFile(path)
	if err == nil {
		return strings.TrimSpace(string(b)), nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("flight: token: %w", err)
	}
	token := rand.Text() + rand.Text()
	if err := os.WriteFile(path, []byte(token+"\n"), 0o600); err != nil {
		return "", fmt.Errorf("flight: token: %w", err)
	}
	return token, nil
}

// Two ways to show the token: as the bearer token of every call, or once in the handshake as the password of
// any user, which gives the bearer token back.

func (s *Server) unary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, do grpc.UnaryHandler) (answer any, err error) {
	defer s.recovered(&err)
	if err := s.admit(ctx); err != nil {
		return nil, err
	}
	return do(ctx, req)
}

func (s *Server) stream(srv any, st grpc.ServerStream, info *grpc.StreamServerInfo, do grpc.StreamHandler) (err error) {
	defer s.recovered(&err)
	if strings.HasSuffix(info.FullMethod, "/Handshake") {
		return s.handshake(st)
	}
	if err := s.admit(st.Context()); err != nil {
		return err
	}
	return do(srv, st)
}

// recovered keeps a fault in the handling of one call from ending the service.
func (s *Server) recovered(err *error) {
	if p := recover(); p != nil {
		s.log.Error("flight sql: a call panicked", "panic", p, "stack", string(debug.Stack()))
		*err = status.Error(codes.Internal, "the service could not answer; the reason is in its log")
	}
}

var errWho = status.Error(codes.Unauthenticated, "the token is missing, wrong or ended, or may not query: give it as the password of any user, or as the bearer token")

// shown are the scheme and the rest of the authorization header.
func shown(ctx context.Context) (scheme, rest string) {
	md, _ := metadata.FromIncomingContext(ctx)
	for _, v := range md.Get("authorization") {
		scheme, rest, _ = strings.Cut(v, " ")
	}
	return strings.ToLower(scheme), strings.TrimSpace(rest)
}

func password(encoded string) string {
	for _, e := range []*base64.Encoding{base64.StdEncoding, base64.RawStdEncoding} {
		if b, err := e.DecodeString(encoded); err == nil {
			_, password, _ := strings.Cut(string(b), ":")
			return password
		}
	}
	return ""
}

func (s *Server) admit(ctx context.Context) error {
	scheme, rest := shown(ctx)
	if scheme == "basic" {
		rest = password(rest)
	} else if scheme != "bearer" {
		return errWho
	}
	if rest == "" || !s.admits(ctx, rest) {
		return errWho
	}
	return nil
}

// handshake gives the token back as the bearer token to who showed it as a password.
func (s *Server) handshake(st grpc.ServerStream) error {
	if err := s.admit(st.Context()); err != nil {
		return err
	}
	scheme, token := shown(st.Context())
	if scheme == "basic" {
		token = password(token)
	}
	md := metadata.Pairs("authorization", "Bearer "+token)
	if err := st.SendHeader(md); err != nil {
		return err
	}
	st.SetTrailer(md)
	return nil
}
