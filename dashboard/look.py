"""What the framework's theme cannot say: room for the picture on the first screen, and paper."""

LOOK = """
.stMainBlockContainer { padding-top: 2.6rem; padding-bottom: 3rem; }
.stMain h1 { padding: 0 0 .3rem; font-size: 1.5rem; }
.stMain h2 { padding: .2rem 0 .5rem; }
@media (max-width: 640px) { .stMain h2 { font-size: 1.15rem; } }
@media print {
  [data-testid="stSidebar"], [data-testid="stHeader"], [data-testid="stToolbar"], .stButton, .stDownloadButton,
  .stPopover, [data-testid="stFileUploader"] { display: none !important; }
  .stApp, .stMain, .stMainBlockContainer { position: static !important; overflow: visible !important; height: auto !important; }
  .stMainBlockContainer { max-width: none; padding: 0; }
  .stVegaLiteChart, .stDataFrame, .stAlert, h2, h3 { break-inside: avoid; }
  h2, h3 { break-after: avoid; }
}
"""
