"""Documents in and out: tables read, workbooks and PDFs made. Bytes in, bytes out; knows no model and no request."""
