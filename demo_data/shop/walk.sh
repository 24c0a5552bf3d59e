# INVENTED shop: a lead's walk through 18 months of it, in a folder that is thrown away.
#     sh demo_data/shop/walk.sh
set -eu
shop=$(dirname "$0")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir "$work/models"
cp "$shop/first/invented_portable.yaml" "$work/models/"
export FAULTFINDER_MODELS="$work/models" FAULTFINDER_DB="$work/tickets.db"
page() { # What is shown of a command, with the command above it.
    lines=$1
    shift
    echo "> faultfinder $*" | sed "s|$work/||"
    faultfinder "$@" 2>&1 | sed "s|$work/||" >"$work/said"
    head -n "$lines" "$work/said"
    [ "$(wc -l <"$work/said")" -le "$lines" ] || echo "..."
    echo
}
echo "# A year of tickets"
page 3 import "$shop/months_1_to_12.jsonl"
page 2 tune -m invented_portable
page 12 replay -m invented_portable
page 2 adopt -m invented_portable --by lena
echo "# Lena knows better in one place, and edits the file by hand"
page 1 rollback -m invented_portable --write "$work/edited"
sed -i '/^  controller_hung:$/,/chance/s/{yes: [0-9.]*}/{yes: 0.002}/' "$work/edited/invented_portable.yaml"
page 2 adopt -m invented_portable --by lena --file "$work/edited/invented_portable.yaml"
echo "# Another file is shipped, in which a cause has another name"
cp "$shop/upgrade/invented_portable.yaml" "$work/models/"
page 2 tune -m invented_portable
page 2 adopt -m invented_portable --by lena --unjudged
echo "# Half a year more"
page 3 import "$shop/months_13_to_18.jsonl"
page 1 tune -m invented_portable
sed -n '/^What changes/,/^$/p' "$work/said" | head -n 6
sed -n '/^Minutes/,/^$/p' "$work/said" | head -n 7
sed -n '/^Shifts/,/^$/p' "$work/said"
page 3 replay -m invented_portable
page 1 review -m invented_portable --html "$work/review.html"
echo "# What stands out on that page"
sed -n 's|.*<p class="answer">\([^<]*\)</p>.*|- \1|p' "$work/review.html" |
    sed "s/&#39;/'/g" | fold -s -w 79 | sed 's/ *$//'
echo
page 2 adopt -m invented_portable --by lena
