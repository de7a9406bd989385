#!/bin/sh
# Makes three.min.js beside this file from the published npm packages.  Needs node and npm; only
# for whoever changes the version or pick.js: the result is committed, nothing is fetched at run time.
set -eu
here=$(cd "$(dirname "$0")" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"
npm init -y >/dev/null
npm install --no-audit --no-fund --ignore-scripts three@0.187.0 esbuild@0.28.2
cp "$here/pick.js" .
./node_modules/.bin/esbuild pick.js --bundle --minify --format=iife --global-name=THREE \
  --legal-comments=inline --target=es2020 --charset=ascii --outfile="$here/three.min.js"
cp node_modules/three/LICENSE "$here/LICENSE"
(cd "$here" && sha256sum three.min.js LICENSE > SHA256SUMS)
