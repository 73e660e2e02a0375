"""What the framework's theme cannot say: room for the picture on the first screen, what is old or refused, and paper."""

REFUSED = 'input[aria-invalid="true"], input[type="number"][value=""]:invalid:not(:focus)'
"""a field whose number is out of its range, and one left with what is no number (the framework passes neither on)"""
LOOK = """
.stMainBlockContainer { padding-top: 2.2rem; padding-bottom: 3rem; }
.stMain h1 { padding: 0 0 .2rem; font-size: 1.4rem; }
.stMain h2 { padding: .1rem 0 .3rem; }
[class*="st-key-alarm_"] details, [class*="st-key-alarm_"] [data-testid="stAlertContainer"] {
  border-left: 4px solid #c08a00; background: rgba(226, 178, 58, .16); }
[class*="st-key-alarm_"] summary, [class*="st-key-alarm_"] [data-testid="stAlertContainer"] { padding-top: .35rem; padding-bottom: .35rem; min-height: 0; }
[class*="st-key-alarm_"] [data-testid="stAlert"] :is(div, p) { color: inherit !important; }
.stMain [data-stale="true"] h2 { text-decoration: line-through; text-decoration-thickness: 1px; }
.stMain [data-stale="true"] h2::after { content: " (before the change; being worked out anew)"; display: inline-block; font-size: .95rem; font-style: italic; }
.stMain [data-stale="true"] .stVegaLiteChart, .stMain [data-stale="true"] .stDataFrame { filter: grayscale(1); }
.stMain:has(REFUSED) :is(h2, .stVegaLiteChart, .stDataFrame, .stMarkdown:not(:has(h1)), .stAlert, .stCode, .stDownloadButton, .stPopover, .st-key-since, [class*="st-key-alarm_"]) {
  visibility: hidden; }
.stMain:has(REFUSED) h2 { font-size: 0; }
.stMain:has(REFUSED) h2::after { visibility: visible; content: "Not answered: a number typed here is out of its range, or is none."; display: inline-block; font-size: 1.2rem; }
.stMain :is(REFUSED) { outline: 2px solid #b3541e; }
@media (max-width: 640px) { .stMain h2 { font-size: 1.1rem; } }
@media print {
  [data-testid="stSidebar"], [data-testid="stHeader"], [data-testid="stToolbar"], .stButton, .stDownloadButton,
  .stPopover, [data-testid="stFileUploader"] { display: none !important; }
  .stApp, .stMain, .stMainBlockContainer { position: static !important; overflow: visible !important; height: auto !important; }
  .stMainBlockContainer { max-width: none; padding: 0; }
  .stVegaLiteChart, .stDataFrame, .stAlert, h2, h3 { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
}
""".replace("REFUSED", REFUSED)
